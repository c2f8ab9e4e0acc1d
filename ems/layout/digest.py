"""One number that says whether two layouts are the same in everything that determines results."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import Any

VERSION = "ems.layout/1"

_FOR_PEOPLE = {"title", "summary", "source", "invented", "files", "path", "digest", "notes", "drawing"}
_NAMED_FOR_PEOPLE = {"Layout", "Engine", "Machine", "Battery", "Vehicle", "Fuel"}


def digest(layout: Any) -> str:
    """sha256 over a dataclass and everything in it: hexadecimal, the same on every machine.

    Numbers count with twelve significant digits, so that the last bits of another processor's arithmetic do not
    matter. Titles, sources, paths, and the names of whole files are left out; names of elements and shafts are not.
    Raises ``TypeError`` for a value of a kind that it does not know.
    """
    total = hashlib.sha256(VERSION.encode())
    for piece in _pieces(layout):
        total.update(piece.encode() + b"\0")
    return total.hexdigest()


def _pieces(value: Any) -> Iterator[str]:
    """The value as texts; every container says its kind and where it ends."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        yield type(value).__name__
        for field in dataclasses.fields(value):
            if _counts(value, field.name):
                yield field.name
                yield from _pieces(getattr(value, field.name))
    elif isinstance(value, Mapping):
        yield from _container("table", [x for key in sorted(value) for x in (key, value[key])])
    elif isinstance(value, tuple | list):
        yield from _container("list", value)
    elif hasattr(value, "dtype"):
        yield f"array {value.shape} ["
        yield from map(_scalar, value.ravel().tolist())
        yield "]"
    else:
        yield _scalar(value)


def _counts(owner: Any, field: str) -> bool:
    return field not in _FOR_PEOPLE and not (field == "name" and type(owner).__name__ in _NAMED_FOR_PEOPLE)


def _container(kind: str, values: Any) -> Iterator[str]:
    yield f"{kind} ["
    for value in values:
        yield from _pieces(value)
    yield "]"


def _scalar(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.12g}"
    if value is None or isinstance(value, str | bool | int | Fraction):
        return f"{type(value).__name__} {value}"
    raise TypeError(f"no digest of a {type(value).__name__}")
