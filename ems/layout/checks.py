"""Checks of a layout file that need more than one value: names, joins, and whether power can reach the wheels."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from math import prod
from typing import Any

from ems.errors import Mistakes, nearest_name
from ems.layout.schema import GROUND
from ems.layout.sketch import ACTUATORS, Element, Sketch, sketch

WHEELS = "wheels"
"""Kept for the wheels on the road, which all axles turn with; no shaft may bear this name."""

ENGINE_STATES = ("off", "on", "cut")
"""What ids of configurations begin with."""

MOST_BINARY_ACTUATORS = 12
MOST_ACTUATOR_STATES = 2**14


def check_structure(data: Mapping[str, Any], where: str, mistakes: Mistakes) -> None:
    """Add every mistake of names and joins in a raw layout file.

    where : file name as the user knows it
    Reachability is judged only when every shaft is named, so that one mistake is not told as three.
    """
    plan = sketch(data)
    for check in (_self_joins, _duplicate_names, _reserved_names, _actuator_count):
        check(plan, where, mistakes)
    for check_with_data in (_started_by, _groups, _forbid, _shaft_tables, _drawing):
        check_with_data(data, plan, where, mistakes)
    if plan.complete and not _dead_ends(plan, where, mistakes):
        _reachability(data, plan, where, mistakes)


# ------------------------------------------------------------------------------------------------------- names


def _self_joins(plan: Sketch, where: str, mistakes: Mistakes) -> None:
    for element in plan.elements:
        seen: set[str] = set()
        for naming in element.shafts:
            if naming.shaft in seen:
                mistakes.add(where, naming.key, f"'{naming.shaft}' a second time in one {element.kind}",
                             "different shafts to join")
            seen.add(naming.shaft)


def _duplicate_names(plan: Sketch, where: str, mistakes: Mistakes) -> None:
    for kinds, scope in (((*ACTUATORS, "one-way clutch"), "clutches, brakes and shifters"), (("machine",), "machines")):
        owner: dict[str, str] = {}
        for element in plan.elements:
            if element.kind not in kinds:
                continue
            first = owner.setdefault(element.name.lower(), element.key)
            if first != element.key:
                mistakes.add(where, element.key, f"a name that {first} has already",
                             f"a name of its own among {scope}, whatever the case")


def _reserved_names(plan: Sketch, where: str, mistakes: Mistakes) -> None:
    for machine in plan.of("machine"):
        if machine.name.lower() == "engine":
            mistakes.add(where, machine.key, f"'{machine.name}'", "a machine name other than 'engine'")
    for element in plan.elements:
        for naming in element.shafts:
            if naming.shaft.lower() == WHEELS:
                mistakes.add(where, naming.key, f"'{naming.shaft}'",
                             "another name: 'wheels' means the wheels on the road, which every axle turns with")
            elif naming.shaft.lower() == GROUND:
                mistakes.add(where, naming.key, f"'{naming.shaft}'",
                             "another name: 'ground' means the housing, to which brakes and one-way clutches hold")


def _actuator_count(plan: Sketch, where: str, mistakes: Mistakes) -> None:
    binary = len(plan.of("clutch", "brake", "one-way clutch"))
    states = 2**binary * prod(len(s.positions) + 1 for s in plan.of("shifter"))
    if binary > MOST_BINARY_ACTUATORS:
        mistakes.add(where, "clutches, brakes", f"{binary} clutches and brakes", f"at most {MOST_BINARY_ACTUATORS}")
    elif states > MOST_ACTUATOR_STATES:
        mistakes.add(where, "clutches, brakes, shifters", f"{states} actuator states",
                     f"at most {MOST_ACTUATOR_STATES}; leave out positions that are never used")


def _started_by(data: Mapping[str, Any], plan: Sketch, where: str, mistakes: Mistakes) -> None:
    engine = data.get("engine")
    word = engine.get("started_by") if isinstance(engine, Mapping) else None
    machines = [m.name for m in plan.of("machine")]
    if isinstance(word, str) and word not in machines:
        expected = f"one of the machines: {', '.join(machines)}" if machines else "a layout with machines"
        mistakes.add(where, "engine.started_by", f"'{word}'", expected, nearest_name(word, machines))


def _groups(data: Mapping[str, Any], plan: Sketch, where: str, mistakes: Mistakes) -> None:
    """Members of ``at_most_one`` are actuators or positions, each once in a group."""
    known = [e.name for e in plan.of(*ACTUATORS)]
    known += [f"{s.name}={position}" for s in plan.of("shifter") for position in s.positions]
    for i, group in enumerate(_lists(data.get("at_most_one")), 1):
        for j, member in enumerate(group, 1):
            key = f"at_most_one.{i}.{j}"
            if not isinstance(member, str):
                continue
            if member not in known:
                mistakes.add(where, key, f"'{member}'", f"one of {', '.join(known) or '(no actuators)'}",
                             nearest_name(member, known))
            elif member in group[:j - 1]:
                mistakes.add(where, key, f"'{member}' a second time", "each actuator once in a group")


def _forbid(data: Mapping[str, Any], plan: Sketch, where: str, mistakes: Mistakes) -> None:
    """Ids of configurations name an engine state and parts of this layout; whether there is such a configuration, the
    derivation knows."""
    words = data.get("forbid")
    known = [e.name for e in plan.of("clutch", "brake", "one-way clutch")]
    known += [f"{name}~" for name in known] + [f"{s.name}={p}" for s in plan.of("shifter") for p in s.positions]
    for i, word in enumerate(words if isinstance(words, list) and plan.complete else (), 1):
        if not isinstance(word, str) or "*" in word:
            continue
        prefix, colon, state = word.partition(":")
        parts = state.split("+")
        wrong = [p for p in parts if p not in known and state != "open"]
        if not colon or prefix not in ENGINE_STATES:
            mistakes.add(where, f"forbid.{i}", f"'{word}'", f"{', '.join(f'{p}:' for p in ENGINE_STATES)} and what is "
                         "engaged (see: ems modes)")
        elif wrong:
            better = {p: nearest_name(p, [k for k in known if k not in parts]) or p for p in wrong}
            near = f"{prefix}:{'+'.join(better.get(p, p) for p in parts)}"
            mistakes.add(where, f"forbid.{i}", f"'{word}'", "the id of a configuration (see: ems modes); "
                         f"there is no {' or '.join(wrong)}", near if near != word else None)


def _lists(value: object) -> list[list[Any]]:
    return [v for v in value if isinstance(v, list)] if isinstance(value, list) else []


def _shaft_tables(data: Mapping[str, Any], plan: Sketch, where: str, mistakes: Mistakes) -> None:
    """Tables under ``shafts`` are about shafts that some element names."""
    tables = data.get("shafts")
    for name in tables if isinstance(tables, Mapping) else ():
        if name not in plan.shafts:
            mistakes.add(where, f"shafts.{name}", f"'{name}', which no element names",
                         f"one of {', '.join(plan.shafts)}", nearest_name(name, plan.shafts))


def _drawing(data: Mapping[str, Any], plan: Sketch, where: str, mistakes: Mistakes) -> None:
    """The drawing's order names shafts and elements of this layout, each once and without doubt."""
    table = data.get("drawing")
    if not isinstance(table, Mapping):
        return
    count = Counter(e.name for e in plan.elements)
    known = [*(name for name in count if count[name] == 1), *(e.key for e in plan.elements)]
    for key, wanted in (("rows", list(plan.shafts)), ("items", known)):
        found = table.get(key)
        words = found if isinstance(found, list) else []
        for i, word in enumerate(words, 1):
            place = f"drawing.{key}.{i}"
            if not isinstance(word, str):
                continue
            if key == "items" and count[word] > 1:
                mistakes.add(where, place, f"'{word}', a name of {count[word]} elements",
                             f"one of {', '.join(e.key for e in plan.elements if e.name == word)}")
            elif word not in wanted:
                mistakes.add(where, place, f"'{word}'", f"one of {', '.join(dict.fromkeys(wanted))}", nearest_name(word, wanted))
            elif word in words[:i - 1]:
                mistakes.add(where, place, f"'{word}' a second time", "each once")


# ------------------------------------------------------------------------------------------------ reachability


def _dead_ends(plan: Sketch, where: str, mistakes: Mistakes) -> bool:
    """Shafts named a single time: most often a typing error. Whether there are any."""
    namings = [(element, naming) for element in plan.elements for naming in element.shafts]
    count = Counter(naming.shaft for _, naming in namings)
    alone = [(e, n) for e, n in namings if count[n.shaft] == 1 and n.shaft.lower() not in (WHEELS, GROUND)]
    for element, naming in alone:
        near = nearest_name(naming.shaft, [s for s in count if s != naming.shaft])
        mistakes.add(where, naming.key, f"'{naming.shaft}', which nothing else names", _wanted(element), near)
    return bool(alone)


def _wanted(element: Element) -> str:
    if element.is_source:
        return "a shaft that a gear, planetary set, clutch, shifter or axle joins to something"
    if element.kind == "axle":
        return "a shaft that something drives"
    return "a shaft that something drives: nothing drives it and it drives nothing"


def _reachability(data: Mapping[str, Any], plan: Sketch, where: str, mistakes: Mistakes) -> None:
    """Every axle needs a source, and every source a wheel or, for an engine, a machine to drive."""
    find = _islands(plan)
    driven = {find(s.shafts[0].shaft) for s in plan.elements if s.is_source}
    for axle in plan.of("axle"):
        if find(axle.shafts[0].shaft) not in driven:
            found = f"'{axle.shafts[0].shaft}', which no engine or machine reaches whatever is engaged"
            mistakes.add(where, axle.shafts[0].key, found, "wheels that a source reaches")
    _idle_shafts(plan, find, driven, where, mistakes)
    _useless_sources(plan, find, where, mistakes)
    _starter_apart(data, plan, find, where, mistakes)


def _islands(plan: Sketch) -> Callable[[str], str]:
    """A function from a shaft to the representative of all shafts it can be joined with, all actuators closed."""
    parent = {shaft: shaft for shaft in plan.shafts}

    def find(shaft: str) -> str:
        while parent[shaft] != shaft:
            shaft = parent[shaft]
        return shaft

    for element in plan.elements:
        for naming in element.shafts[1:]:
            parent[find(naming.shaft)] = find(element.shafts[0].shaft)
    return find


def _idle_shafts(
    plan: Sketch, find: Callable[[str], str], driven: set[str], where: str, mistakes: Mistakes
) -> None:
    """Islands of shafts that nothing drives and that turn no wheel."""
    wheels = {find(a.shafts[0].shaft) for a in plan.of("axle")}
    for island in dict.fromkeys(map(find, plan.shafts)):
        if island in driven or island in wheels:
            continue
        members = [s for s in plan.shafts if find(s) == island]
        first = next(e for e in plan.elements if e.shafts and find(e.shafts[0].shaft) == island)
        mistakes.add(where, first.key, f"shafts that nothing drives: {', '.join(members)}",
                     "shafts joined to an engine or a machine")


def _useless_sources(plan: Sketch, find: Callable[[str], str], where: str, mistakes: Mistakes) -> None:
    """Sources from which neither a wheel nor a source of the other kind is reached."""
    wheels = {find(a.shafts[0].shaft) for a in plan.of("axle")}
    kinds: dict[str, set[str]] = {}
    for source in (e for e in plan.elements if e.is_source):
        kinds.setdefault(find(source.shafts[0].shaft), set()).add(source.kind)
    for source in (e for e in plan.elements if e.is_source):
        island = find(source.shafts[0].shaft)
        if island not in wheels and len(kinds[island]) == 1:
            mistakes.add(where, source.shafts[0].key,
                         f"'{source.shafts[0].shaft}', from which no wheel is reached whatever is engaged",
                         "a shaft joined to the wheels, or engine and machine joined to each other")


def _starter_apart(
    data: Mapping[str, Any], plan: Sketch, find: Callable[[str], str], where: str, mistakes: Mistakes
) -> None:
    """The machine that cranks the engine must be able to turn it."""
    word = data["engine"].get("started_by")
    near = [m for m in plan.of("machine") if find(m.shafts[0].shaft) == find(data["engine"]["shaft"])]
    if any(m.name == word for m in plan.of("machine")) and all(m.name != word for m in near):
        names = ", ".join(m.name for m in near)
        mistakes.add(where, "engine.started_by", f"'{word}', which nothing joins to the engine",
                     f"a machine that can turn the engine: {names or 'there is none'}")
