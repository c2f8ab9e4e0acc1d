"""One dotted-path override of a raw layout file, for ``--set`` and for every study that changes one thing.

A path names a key of the file (``machines.mg1.rating_kW``) or a key inside a component's own file
(``vehicle.mass_kg``, ``machines.mg1.map.inertia_kgm2``): a component given by name then becomes a table that says what
it is ``based_on`` and what differs. ``map`` may be left out where the layout has no key of that name:
``machines.mg1.inertia_kgm2``, ``engine.start_fuel_g``.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from ems.components.componentfile import ComponentFile
from ems.components.engine import EngineFile
from ems.components.machine import MachineFile
from ems.errors import InputError, Mistake, Mistakes, nearest_name
from ems.layout.based_on import BASED_ON, INSTEAD, WITHOUT, is_component
from ems.layout.keys import ANY, layout_keys
from ems.layout.sketch import sketch

OPTION = "--set"
MAP = "map"
_MAPS: dict[tuple[str, ...], type[ComponentFile]] = {("engine",): EngineFile, ("machines", ANY): MachineFile}
"""Tables of the layout that name a component under ``map``, and the model of its file."""


def parse(text: str, where: str = OPTION) -> tuple[str, Any]:
    """The dotted path and the value of ``KEY=VALUE``; the value is TOML, a bare word is text.

    Raises ``InputError`` when there is no ``=`` or the value is no TOML.
    """
    path, equals, value = text.partition("=")
    if not equals or not path.strip():
        raise InputError([Mistake(where, "", f"'{text}'", "KEY=VALUE, for example vehicle.mass_kg=1900")])
    return path.strip(), _value(value.strip(), path.strip(), where)


def _value(text: str, path: str, where: str) -> Any:
    try:
        if "\n" not in text:
            return tomllib.loads(f"value = {text}", parse_float=Decimal)["value"]
    except tomllib.TOMLDecodeError:
        if text and not set(text) & set("\"'[]{}=,"):
            return text
    raise InputError([Mistake(where, path, f"'{text}'", "a TOML value: 1.5, true, word, \"text\", [\"a\", \"b\"]")])


def split(path: str, where: str = OPTION) -> tuple[str, ...]:
    """The parts of a dotted path, quotes as in TOML."""
    parts: list[str] = []
    try:
        level: Any = tomllib.loads(f"{path} = 0") if "\n" not in path else {}
        while isinstance(level, dict) and level:
            part, level = next(iter(level.items()))
            parts.append(part)
    except tomllib.TOMLDecodeError:
        parts = []
    if not parts:
        raise InputError([Mistake(where, "", f"'{path}'", "a dotted key, for example machines.mg1.rating_kW")])
    return tuple(parts)


def apply(data: Mapping[str, Any], path: str, value: Any, where: str = OPTION) -> dict[str, Any]:
    """A copy of a raw layout file with one key set.

    data  : content of the file, not yet checked; left as it is
    path  : dotted path of a key of the file or of a component's file
    value : as TOML would give it
    where : who asks, for messages
    Raises ``InputError`` naming the nearest key when the path leads nowhere.
    """
    parts = resolved(split(path, where))
    if parts[0] in (BASED_ON, WITHOUT):
        raise InputError([Mistake(where, path, "a key that is read before anything is changed", "any other key")])
    component = _component_of(parts)
    _check_path(data, parts if component is None else component, path, where)
    return _with(dict(data), parts, value, len(component) if component else None)


def apply_all(
    data: Mapping[str, Any], overrides: Sequence[str], mistakes: Mistakes, where: str = OPTION
) -> dict[str, Any]:
    """A copy of a raw layout file with every ``KEY=VALUE`` applied in turn; what is wrong goes to ``mistakes``."""
    changed = dict(data)
    for text in overrides:
        try:
            changed = apply(changed, *parse(text, where), where)
        except InputError as error:
            mistakes.extend(error)
    return changed


def mass_alone(overrides: Sequence[str]) -> str:
    """What to say where overrides change the vehicle's mass and not the tyres' part of its road load; empty elsewhere."""
    paths = {text.partition("=")[0].strip() for text in overrides}
    if "vehicle.mass_kg" not in paths or paths & {"vehicle.road_load_N", "vehicle.rolling_resistance"}:
        return ""
    return ("vehicle.mass_kg changes the mass alone: a road load given in N stays as it is, tyres included "
            "(masses.other_kg takes the tyres along)")


def resolved(parts: tuple[str, ...]) -> tuple[str, ...]:
    """The path with ``map`` put in where it names a key of the engine's or a machine's own file without saying so."""
    for table, model in _MAPS.items():
        depth = len(table)
        if len(parts) > depth and _matches(parts[:depth], table) and parts[depth] in model.model_fields and parts[depth] not in _own(table):
            return (*parts[:depth], MAP, *parts[depth:])
    return parts


def _own(table: tuple[str, ...]) -> list[str]:
    """Keys that the layout file itself has in a table."""
    return [key.path[-1] for key in layout_keys() if len(key.path) == len(table) + 1 and key.path[:-1] == table]


def _component_of(parts: tuple[str, ...]) -> tuple[str, ...] | None:
    """The leading parts that name a component, when the path goes on into it."""
    return next((parts[:end] for end in range(1, len(parts)) if is_component(parts[:end])), None)


def _matches(parts: Sequence[str], pattern: Sequence[str]) -> bool:
    return len(parts) == len(pattern) and all(p in (ANY, part) for part, p in zip(parts, pattern, strict=True))


def _check_path(data: Mapping[str, Any], parts: tuple[str, ...], path: str, where: str) -> None:
    """The path must be a key of the file; the names in it must exist, except the last of a whole new element."""
    patterns = [key.path for key in layout_keys()]
    for end in range(1, len(parts) + 1):
        head = parts[:end]
        fitting = [p for p in patterns if _matches(head, p)]
        known = _known(data, parts[: end - 1], patterns)
        is_new_element = end == len(parts) and any(p[-1] == ANY for p in fitting)
        if fitting and (parts[end - 1] in known or is_new_element):
            continue
        candidates = [".".join((*parts[: end - 1], name)) for name in known]
        near = nearest_name(parts[end - 1], known)
        expected = f"one of {', '.join(candidates)}" if candidates else f"no more than {'.'.join(parts[: end - 1])}"
        raise InputError([Mistake(where, path, "a key that is not known", expected,
                                  ".".join((*parts[: end - 1], near, *parts[end:])) if near else None)])


def _known(data: Mapping[str, Any], head: tuple[str, ...], patterns: Sequence[tuple[str, ...]]) -> list[str]:
    """Valid next parts after ``head``: keys of the schema, or names in this file."""
    following = dict.fromkeys(p[-1] for p in patterns if len(p) == len(head) + 1 and _matches(head, p[:-1]))
    if ANY not in following:
        inside = next((model.model_fields for table, model in _MAPS.items() if _matches(head, table)), {})
        return list(dict.fromkeys((*following, *inside)))
    if head == ("shafts",):
        return list(sketch(data).shafts)
    level: Any = data
    for part in head:
        level = level.get(part, {}) if isinstance(level, Mapping) else {}
    return list(level) if isinstance(level, Mapping) else []


def _with(table: dict[str, Any], parts: tuple[str, ...], value: Any, component_depth: int | None) -> dict[str, Any]:
    """The table with a value set at a path, copied along it."""
    first, rest = parts[0], parts[1:]
    if not rest:
        alternative = INSTEAD.get(first)
        return {k: v for k, v in table.items() if k != alternative} | {first: value}
    inner = table.get(first, {})
    depth = component_depth - 1 if component_depth is not None else None
    if depth == 0 and isinstance(inner, str):
        inner = {BASED_ON: inner}
    return table | {first: _with(dict(inner) if isinstance(inner, Mapping) else {}, rest, value, depth)}
