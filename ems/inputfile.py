"""Reading what a user wrote: text and TOML files, and pydantic models that report every mistake at once.

Decimals in TOML stay ``Decimal`` (tomllib, ``parse_float``), so that a gear ratio is read as the fraction it was
written as; a field of type ``Number`` turns them into floats.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from types import UnionType
from typing import Annotated, Any, TypeAlias, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator, Field, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from ems.errors import InputError, Mistake, Mistakes, nearest_name

LARGEST_FILE_BYTES = 20_000_000
SHOWN_PER_FILE = 20

Model = TypeVar("Model", bound=BaseModel)


def _to_float(value: object) -> object:
    """Numbers of any kind as float; text and truth values are no numbers, whatever pydantic would make of them."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal | Fraction):
        raise PydanticCustomError("number", "a number")
    try:
        return float(value)
    except OverflowError:
        raise PydanticCustomError("number", "a number below 1e308") from None


Number: TypeAlias = Annotated[float, BeforeValidator(_to_float)]


def quantity(description: str, unit: str, **constraints: Any) -> Any:
    """A pydantic field that carries its meaning and unit, for messages and for the tables in the documentation.

    unit        : ``kg``, ``rpm``, ...; ``-`` for a pure number or a word
    constraints : what ``pydantic.Field`` takes (``gt=0``, ``default=0.0``, ``alias="from"``, ...)
    """
    return Field(description=description, json_schema_extra={"unit": unit}, **constraints)


def read_text(path: Path, where: str) -> str:
    """Text of a file of the user's.

    where : the file's name as the user knows it, for the message
    Raises ``InputError`` when the file is missing, a folder, unreadable, larger than 20 MB (it is then not read),
    empty, or not UTF-8 text.
    """
    try:
        size = path.stat().st_size
        if path.is_file() and size > LARGEST_FILE_BYTES:
            raise InputError([Mistake(where, "", f"{size / 1e6:.0f} MB (not read)", "a text file of at most 20 MB")])
        raw = path.read_bytes()
    except OSError as error:
        raise InputError([Mistake(where, "", (error.strerror or str(error)).lower(), "a readable file")]) from None
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        found = f"a byte that is no UTF-8 text at position {error.start}"
        raise InputError([Mistake(where, "", found, "a text file in UTF-8")]) from None
    if "\0" in text:
        raise InputError([Mistake(where, "", "binary data", "a text file in UTF-8")])
    if not text.strip():
        raise InputError([Mistake(where, "", "an empty file", "a file with content")])
    return text


def read_toml(path: Path, where: str) -> dict[str, Any]:
    """Content of a TOML file, decimals as ``Decimal``.

    Raises ``InputError`` as ``read_text`` does, and with the line of a syntax error.
    """
    text = read_text(path, where)
    try:
        return tomllib.loads(text, parse_float=Decimal)
    except RecursionError:
        raise InputError([Mistake(where, "", "tables or lists hundreds deep", "TOML syntax, a few levels deep")]) from None
    except tomllib.TOMLDecodeError as error:
        message = str(error)
        place = re.search(r"\(at line (\d+), column (\d+)\)", message)
        line = int(place[1]) if place else len(text.splitlines())
        what = re.sub(r"\s*\(at [^()]*\)$", "", message)
        shown = text.splitlines()[line - 1].strip()[:60]
        expected = f"TOML syntax ({what[:1].lower()}{what[1:]})"
        raise InputError([Mistake(where, f"line {line}", f"'{shown}'", expected)]) from None
    except ValueError:      # Python reads no integer of more than 4,300 digits
        digits = max(map(len, re.findall(r"\d+", text)), default=0)
        raise InputError([Mistake(where, "", f"a number of {digits} digits", "numbers that a computer holds")]) from None


def validate(model: type[Model], data: Mapping[str, Any], where: str, prefix: str = "") -> Model:
    """The model filled with the data.

    where  : file name or option, as the user knows it
    prefix : dotted key in front of every key in a message (a table inside a larger file); empty for a whole file
    Raises ``InputError`` with every mistake: dotted key, value found, what was expected, nearest valid name.
    """
    try:
        return model.model_validate(dict(data))
    except ValidationError as error:
        errors = [dict(e) for e in error.errors(include_url=False)]
    raise InputError(_merged([_mistake(model, data, e, where, prefix) for e in errors]))


def raise_capped(mistakes: Mistakes) -> None:
    """Raise ``InputError`` when there are mistakes: at most 20 a file, then how many more there are."""
    shown: list[Mistake] = []
    for where in dict.fromkeys(m.where for m in mistakes.found):
        of_file = [m for m in mistakes.found if m.where == where]
        shown += of_file[:SHOWN_PER_FILE]
        more = len(of_file) - SHOWN_PER_FILE
        if more > 0:
            shown.append(Mistake(where, "", f"{more} more mistake{'s' if more > 1 else ''}", "none; mend those shown and check again"))
    if shown:
        raise InputError(shown)


def in_words(value: object) -> str:
    """A value found in an input, as a message shows it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"'{value}'" if len(value) <= 60 else f"'{value[:57]}...'"
    if isinstance(value, Mapping):
        return f"a table ({', '.join(map(str, value))})" if len(value) <= 6 else f"a table of {len(value)} keys"
    if isinstance(value, Sequence):
        return f"a list ({', '.join(map(in_words, value))})" if len(value) <= 6 else f"a list of {len(value)}"
    return f"{value:g}" if isinstance(value, float) else str(value)


# ------------------------------------------------------------------------------- pydantic's errors in our words


def _mistake(
    model: type[BaseModel], data: object, error: dict[str, Any], where: str, prefix: str
) -> tuple[Mistake, str]:
    """One of pydantic's errors as a mistake, and the meaning of the field it is about."""
    loc: tuple[str | int, ...] = error["loc"]
    kind: str = error["type"]
    keys = _keys(data, loc, last_may_miss=kind == "missing")
    key = ".".join([*([prefix] if prefix else []), *(str(part + 1 if isinstance(part, int) else part) for part in keys)])
    if kind == "extra_forbidden":
        known = [*dict.fromkeys(_names(_annotations_at(model, loc[:-1])))]
        nearest = nearest_name(str(loc[-1]), known)
        return Mistake(where, key, "a key that is not known", f"one of {', '.join(known)}", nearest), ""
    meaning = _meaning(_field_at(model, loc))
    if kind == "missing":
        return Mistake(where, key, "nothing", meaning or "a value"), ""
    expected, nearest = _expected(error)
    return Mistake(where, key, in_words(error["input"]), expected, nearest), meaning


def _expected(error: dict[str, Any]) -> tuple[str, str | None]:
    """What pydantic wanted, and the nearest valid word where it wanted one of a list."""
    text = re.sub(r"^(Value error, |Input should be |Input should have )", "", error["msg"])
    words = {
        "string_type": "text",
        "finite_number": "a finite number",
        "dict_type": "a table",
        "model_type": "a table",
        "model_attributes_type": "a table",
        "list_type": "a list",
        "tuple_type": "a list",
        "bool_type": "true or false",
    }
    text = words.get(error["type"], text)
    if error["type"].startswith(("greater_than", "less_than")):
        text = f"a number {text}"
    if error["type"] in ("literal_error", "enum"):
        known = re.findall(r"'([^']*)'", text)
        return f"one of {', '.join(known)}", nearest_name(str(error["input"]), known)
    return text, None


def _keys(data: Any, loc: tuple[str | int, ...], last_may_miss: bool) -> list[str | int]:
    """The parts of pydantic's location that are keys of the data (its names of union members are not)."""
    keys: list[str | int] = []
    for i, part in enumerate(loc):
        in_table = isinstance(data, Mapping) and part in data
        in_list = isinstance(data, list | tuple) and isinstance(part, int) and part < len(data)
        if in_table or in_list:
            data = data[part]
        elif not (last_may_miss and i == len(loc) - 1):
            continue
        keys.append(part)
    return keys


def _flat(annotation: Any) -> Iterator[Any]:
    """Members of a union, without ``Annotated``."""
    origin = get_origin(annotation)
    if origin is Annotated:
        yield from _flat(get_args(annotation)[0])
    elif origin in (Union, UnionType):
        for member in get_args(annotation):
            yield from _flat(member)
    else:
        yield annotation


def _fields(annotation: Any) -> dict[str, FieldInfo]:
    """Fields of a model by the key the user writes; empty for anything else."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return {field.alias or name: field for name, field in annotation.model_fields.items()}
    return {}


def _annotations_at(model: type[BaseModel], loc: tuple[str | int, ...]) -> list[Any]:
    """The types the model allows at a location."""
    here: list[Any] = [model]
    for part in loc:
        inner: list[Any] = []
        for annotation in here:
            arguments = get_args(annotation)
            if str(part) in _fields(annotation):
                inner += _flat(_fields(annotation)[str(part)].annotation)
            elif get_origin(annotation) in (dict, Mapping) and len(arguments) == 2:
                inner += _flat(arguments[1])
            elif isinstance(part, int) and arguments:
                inner += _flat(arguments[0])
        here = inner or here   # a part that leads nowhere is the name of a union's member
    return here


def _names(annotations: Sequence[Any]) -> Iterator[str]:
    for annotation in annotations:
        yield from _fields(annotation)


def _field_at(model: type[BaseModel], loc: tuple[str | int, ...]) -> FieldInfo | None:
    """The innermost field on the way to a location."""
    for end in range(len(loc), 0, -1):
        for annotation in _annotations_at(model, loc[: end - 1]):
            field = _fields(annotation).get(str(loc[end - 1]))
            if field is not None:
                return field
    return None


def _meaning(field: FieldInfo | None) -> str:
    """``description [unit]`` of a field."""
    if field is None or not field.description:
        return ""
    extra = field.json_schema_extra
    unit = str(extra.get("unit", "-")) if isinstance(extra, dict) else "-"
    return field.description if unit == "-" else f"{field.description} [{unit}]"


def _merged(mistakes: Sequence[tuple[Mistake, str]]) -> list[Mistake]:
    """One mistake a key: the members of a union each complain, and any of them would have done."""
    by_place: dict[tuple[str, str], list[tuple[Mistake, str]]] = {}
    for mistake, meaning in mistakes:
        by_place.setdefault((mistake.key, mistake.found), []).append((mistake, meaning))
    merged = []
    for same in by_place.values():
        first, meaning = same[0]
        expected = " or ".join(dict.fromkeys(m.expected for m, _ in same))
        nearest = next((m.nearest for m, _ in same if m.nearest), None)
        text = f"{expected} ({meaning})" if meaning else expected
        merged.append(Mistake(first.where, first.key, first.found, text, nearest))
    return merged
