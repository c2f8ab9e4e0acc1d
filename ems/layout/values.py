"""What a value in a layout file may be: names, exact ratios, tooth counts, pairs, components."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

MINIMUM_TEETH = 5
LARGEST_RATIO = 200
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
QUOTIENT = re.compile(r"[+-]?\d{1,15}(\.\d{0,15})?([eE][+-]?\d)?|[+-]?\d{1,9}/0*[1-9]\d{0,8}")


def unit_of(field: FieldInfo) -> str:
    """The unit a field was declared with."""
    extra = field.json_schema_extra
    return str(extra["unit"]) if isinstance(extra, dict) else "-"


def exact(value: object) -> Fraction:
    """A ratio exactly as it was written: 0.45 is 9/20, "78/30" is 13/5.

    Raises ``PydanticCustomError`` for anything that is not a number of a size that gears have.
    """
    text = value.strip() if isinstance(value, str) else repr(value) if isinstance(value, float) else str(value)
    if isinstance(value, bool) or not QUOTIENT.fullmatch(text):
        raise PydanticCustomError("ratio", 'a number, or a quotient as text such as "78/30"')
    ratio = Fraction(text)
    if not Fraction(1, LARGEST_RATIO) <= abs(ratio) <= LARGEST_RATIO:
        limits = f"{1 / LARGEST_RATIO:g} to {LARGEST_RATIO} in size"
        raise PydanticCustomError("ratio", "a ratio of {limits}", {"limits": limits})
    return ratio


def _set_ratio(value: Fraction) -> Fraction:
    if value == -1:
        raise PydanticCustomError("ratio", "a ratio other than -1, with which the carrier would be free of the rest")
    return value


def _name(value: str) -> str:
    if not NAME.fullmatch(value):
        raise PydanticCustomError("name", "a name of letters, digits, '-' and '_'")
    return value


def _whole(value: object) -> object:
    if isinstance(value, int) and not isinstance(value, bool) and value >= MINIMUM_TEETH:
        return value
    raise PydanticCustomError("teeth", "a tooth count: a whole number of at least {least}", {"least": MINIMUM_TEETH})


IS_NAME = AfterValidator(_name)
"""Marks a name of the user's: a shaft, a machine, an actuator."""

Name = Annotated[str, IS_NAME]


def _pair(value: list[Any]) -> list[Any]:
    if len(value) != 2:
        raise PydanticCustomError("pair", "two of them in brackets")
    return value


def _some(value: dict[str, Any]) -> dict[str, Any]:
    if not value:
        raise PydanticCustomError("some", "at least one")
    return value


Pair = AfterValidator(_pair)
Some = AfterValidator(_some)
Ratio = Annotated[Fraction, PlainValidator(exact)]
SetRatio = Annotated[Fraction, PlainValidator(exact), AfterValidator(_set_ratio)]
Teeth = Annotated[int, BeforeValidator(_whole)]
Word = Annotated[str, Field(min_length=1)]
Component = Word | dict[str, Any]
"""A component: short name, path, or a table; ``based_on`` in a table names the file that the other keys change."""
