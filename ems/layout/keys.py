"""The table of keys of a layout file, flattened from the models; documentation and ``--set`` derive from it."""

from __future__ import annotations

import types
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from ems.layout.schema import LayoutFile
from ems.layout.values import IS_NAME, unit_of

ANY = "*"
"""Stands for a name of the user's in a key path."""

_WORDS = {str: "text", float: "number", int: "whole number", bool: "true or false", Fraction: "exact ratio"}


@dataclass(frozen=True, slots=True)
class Key:
    """One key of the file.

    path : its parts, ``*`` where the user gives the name       takes : what may stand there, in words
    unit : '-' when it has none                                 bounds : e.g. '> 0, <= 1'; empty when unbounded
    default : as written in the file; None when there is none   required : whether it must be given
    meaning : one line                                          table : model behind it, when it is a table
    """

    path: tuple[str, ...]
    takes: str
    unit: str
    bounds: str
    default: str | None
    required: bool
    meaning: str
    table: type[BaseModel] | None = None

    @property
    def dotted(self) -> str:
        return ".".join(self.path)


def _core(annotation: Any) -> Any:
    """The annotation without Annotated and without 'or None'."""
    if get_origin(annotation) is Annotated:
        return _core(get_args(annotation)[0])
    optional = _without_none(annotation)
    return annotation if optional is None else _core(optional)


def _without_none(annotation: Any) -> Any:
    """What an optional annotation allows beside None; None when it is not optional."""
    rest = [a for a in get_args(annotation) if a is not type(None)]
    is_union = get_origin(annotation) in (Union, types.UnionType)
    return rest[0] if is_union and len(rest) == 1 else None


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def type_in_words(annotation: Any, marks: Sequence[Any] = ()) -> str:
    """What a value of this type is called in the table of keys; ``marks`` are what Annotated says beside it."""
    if get_origin(annotation) is Annotated:
        return type_in_words(get_args(annotation)[0], annotation.__metadata__)
    if _without_none(annotation) is not None:
        return type_in_words(_without_none(annotation))
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is list:
        return f"list of {_plural(type_in_words(arguments[0]))}"
    if origin is Literal:
        return " or ".join(map(str, arguments))
    if origin is dict:
        return "table" if arguments[0] is str else f"{_plural(type_in_words(arguments[1]))} by name"
    if origin in (Union, types.UnionType):
        return " or ".join(map(type_in_words, arguments))
    if _is_model(annotation):
        return "table"
    return "name" if IS_NAME in marks else _WORDS[annotation]


def _plural(words: str) -> str:
    first, *rest = words.split(" of ", 1)
    return " of ".join([f"{first}s", *rest])


def _bounds(field: FieldInfo) -> str:
    words = []
    for limit in field.metadata:
        for kind, sign, name in ((Gt, ">", "gt"), (Ge, ">=", "ge"), (Lt, "<", "lt"), (Le, "<=", "le")):
            if isinstance(limit, kind):
                words.append(f"{sign} {getattr(limit, name):g}")
    return ", ".join(words)


def _default(field: FieldInfo) -> str | None:
    if field.is_required():
        return None
    value = field.get_default(call_default_factory=True, validated_data={})
    if value is None or isinstance(value, BaseModel):
        return None
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    return f"{value:g}" if isinstance(value, float) else str(value)


def flatten(model: type[BaseModel], prefix: tuple[str, ...] = ()) -> Iterator[Key]:
    """Every key of a model and of the tables inside it, in file order."""
    for name, field in model.model_fields.items():
        path = (*prefix, field.alias or name)
        core = _core(field.annotation)
        table = core if _is_model(core) else None
        yield Key(
            path, type_in_words(field.annotation, field.metadata), unit_of(field), _bounds(field), _default(field),
            field.is_required(), field.description or "", table,
        )
        if table is not None:
            yield from flatten(table, path)
        elif get_origin(core) is dict and get_args(core)[0] is not str:
            yield from _named(get_args(core)[1], (*path, ANY), field)


def _named(value: Any, path: tuple[str, ...], field: FieldInfo) -> Iterator[Key]:
    """Keys of a table whose names the user chooses."""
    core = _core(value)
    if _is_model(core):
        yield Key(path, "table", "-", "", None, False, (core.__doc__ or "").strip().splitlines()[0].rstrip("."), core)
        yield from flatten(core, path)
    else:
        yield Key(path, type_in_words(value), unit_of(field), "", None, False, field.description or "")


@cache
def layout_keys() -> tuple[Key, ...]:
    """Every key of a layout file."""
    return tuple(flatten(LayoutFile))
