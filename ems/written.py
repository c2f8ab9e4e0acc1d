"""Frozen dataclasses as JSON text, and back: so that a result can carry the inputs it was computed from.

Numbers come back to the last bit. Paths of the machine are left out: where a field holds one it comes back as None, a tuple of them empty.
"""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import PurePath
from typing import Any

import numpy as np

KIND = "kind"            # of what a JSON object stands for: a dataclass by its name, or one of the words below
TABLE, ARRAY, RATIO = "table", "array", "ratio"


def text_of(value: Any) -> str:
    """A dataclass with everything in it, as JSON text. Raises ``TypeError`` for a value of a kind that it does not know."""
    return json.dumps(_plain(value), separators=(",", ":"))


def value_of(text: str, classes: Sequence[type]) -> Any:
    """What ``text_of`` wrote.

    classes : dataclasses that may be in it
    Raises ``ValueError`` for a text of another version: damaged, with classes that are not known, or other fields than they have now.
    """
    try:
        return _made(json.loads(text), {one.__name__: one for one in classes})
    except (TypeError, KeyError) as error:
        raise ValueError(str(error)) from error


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {KIND: type(value).__name__, **{f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}}
    if isinstance(value, Mapping):
        return {KIND: TABLE, "of": {str(key): _plain(one) for key, one in value.items()}}
    if isinstance(value, tuple | list):
        return [_plain(one) for one in value if not isinstance(one, PurePath)]
    if isinstance(value, np.ndarray):
        return {KIND: ARRAY, "type": str(value.dtype), "shape": list(value.shape), "of": value.ravel().tolist()}
    if isinstance(value, Fraction):
        return {KIND: RATIO, "of": str(value)}
    if isinstance(value, PurePath):
        return None
    if isinstance(value, np.generic):
        return value.item()
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise TypeError(f"no text for a {type(value).__name__}")


def _made(value: Any, classes: Mapping[str, type]) -> Any:
    if isinstance(value, list):
        return tuple(_made(one, classes) for one in value)
    if not isinstance(value, dict):
        return value
    kind = value[KIND]
    if kind == TABLE:
        return {key: _made(one, classes) for key, one in value["of"].items()}
    if kind == ARRAY:
        return np.array(value["of"], dtype=value["type"]).reshape(value["shape"])
    if kind == RATIO:
        return Fraction(value["of"])
    return classes[kind](**{name: _made(one, classes) for name, one in value.items() if name != KIND})
