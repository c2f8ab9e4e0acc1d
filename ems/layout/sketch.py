"""What joins what in a layout file, read leniently, so that joins can be checked beside other mistakes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from ems.layout.schema import GROUND, LayoutFile
from ems.layout.values import NAME

Kind = Literal["engine", "machine", "gear", "planetary set", "clutch", "brake", "one-way clutch", "shifter",
               "axle"]

TABLES: dict[str, Kind] = {
    "machines": "machine",
    "gears": "gear",
    "planetary_sets": "planetary set",
    "clutches": "clutch",
    "brakes": "brake",
    "one_way": "one-way clutch",
    "shifters": "shifter",
    "axles": "axle",
}
ACTUATORS: tuple[Kind, ...] = ("clutch", "brake", "shifter")

_SHAFT_KEYS: dict[Kind, tuple[str, ...]] = {
    "engine": ("shaft",),
    "machine": ("shaft",),
    "gear": ("from", "to"),
    "planetary set": ("sun", "ring", "carrier"),
    "brake": ("holds",),
    "one-way clutch": ("from", "to"),
    "axle": ("shaft",),
}


@dataclass(frozen=True, slots=True)
class Naming:
    """A place in the file where a shaft is named."""

    key: str
    shaft: str


@dataclass(frozen=True, slots=True)
class Element:
    """An element of the layout and the shafts it names, in file order."""

    kind: Kind
    name: str
    key: str
    shafts: tuple[Naming, ...]
    positions: tuple[str, ...] = ()

    @property
    def is_source(self) -> bool:
        return self.kind in ("engine", "machine")


@dataclass(frozen=True, slots=True)
class Sketch:
    """All elements in file order; ``complete`` when every table and every name of a shaft could be understood."""

    elements: tuple[Element, ...]
    complete: bool

    def of(self, *kinds: Kind) -> list[Element]:
        """Elements of some kinds."""
        return [e for e in self.elements if e.kind in kinds]

    @property
    def shafts(self) -> tuple[str, ...]:
        """Every shaft, in order of appearance."""
        return tuple(dict.fromkeys(n.shaft for e in self.elements for n in e.shafts))


def sketch(data: Mapping[str, Any]) -> Sketch:
    """The joins of a raw layout file; whatever is malformed is left out and told by ``complete``."""
    read = [_element(kind, name, key, table) for kind, name, key, table in _tables(data)]
    elements = tuple(element for element, _ in read)
    understood = "engine" in data and set(data) <= set(LayoutFile.model_fields)
    return Sketch(elements, understood and all(complete for _, complete in read))


def _tables(data: Mapping[str, Any]) -> Iterator[tuple[Kind, str, str, object]]:
    """Kind, name, dotted key and content of every element, in file order."""
    for section, content in data.items():
        if section == "engine":
            yield "engine", "engine", "engine", content
        elif section in TABLES and isinstance(content, Mapping):
            for name, table in content.items():
                yield TABLES[section], str(name), f"{section}.{name}", table


def _element(kind: Kind, name: str, key: str, table: object) -> tuple[Element, bool]:
    """The element, and whether it names all its shafts."""
    if not isinstance(table, Mapping):
        return Element(kind, name, key, ()), False
    candidates = list(_shaft_values(kind, key, table))
    shafts = tuple(Naming(place, value) for place, value in candidates if isinstance(value, str))
    positions = table.get("positions")
    words = tuple(map(str, positions)) if kind == "shifter" and isinstance(positions, Mapping) else ()
    valid = sum(NAME.fullmatch(naming.shaft) is not None for naming in shafts)
    return Element(kind, name, key, shafts, words), valid == len(candidates)


def _shaft_values(kind: Kind, key: str, table: Mapping[str, Any]) -> Iterator[tuple[str, object]]:
    """Dotted key and value of everything that should name a shaft; None for what is missing."""
    if kind == "clutch":
        joins = table.get("joins")
        pair = joins if isinstance(joins, list) and len(joins) == 2 else (None, None)
        yield from ((f"{key}.joins.{i}", value) for i, value in enumerate(pair, 1))
    elif kind == "shifter":
        yield f"{key}.hub", table.get("hub")
        positions = table.get("positions")
        known = positions.items() if isinstance(positions, Mapping) and positions else [("?", None)]
        yield from ((f"{key}.positions.{name}", value) for name, value in known)
    else:
        values = [(f"{key}.{word}", table.get(word)) for word in _SHAFT_KEYS[kind]]
        yield from (v for v in values if kind != "one-way clutch" or not _is_ground(v[1]))


def _is_ground(value: object) -> bool:
    return isinstance(value, str) and value.lower() == GROUND
