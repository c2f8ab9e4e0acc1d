"""A layout without one of its parts: what only served it goes too, its mass, drag, hold power and inertia with it.

Everything works on the frozen ``Layout``, so that whatever loads one can also ask what a part of it is worth.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import fields, replace
from functools import reduce
from typing import Any, TypeVar, cast

from ems.layout.digest import digest
from ems.layout.model import Layout, Shifter

COSTS = ("hold_W", "drag_Nm", "mass_kg")    # what a clutch, brake or shifter takes by being there

Element = TypeVar("Element")


def without_costs(layout: Layout, name: str) -> Layout:
    """The layout with a clutch, brake or shifter that weighs, drags and holds nothing: it can be thought away in a fixed state."""
    changed = replace(layout, clutches=tuple(_costless(e) if e.name == name else e for e in layout.clutches),
                      brakes=tuple(_costless(e) if e.name == name else e for e in layout.brakes),
                      shifters=tuple(_costless(e) if e.name == name else e for e in layout.shifters))
    return _lighter(changed, name)


def without_friction(layout: Layout, name: str) -> Layout:
    """The layout without a clutch or brake, as if open for good, and without what then hangs in the air."""
    fewer = replace(layout, clutches=tuple(c for c in layout.clutches if c.name != name),
                    brakes=tuple(b for b in layout.brakes if b.name != name))
    return _pruned(_lighter(fewer, name))


def without_gear(layout: Layout, name: str) -> Layout:
    """The layout without a gear pair, and without what then hangs in the air."""
    return _pruned(_lighter(replace(layout, gears=tuple(g for g in layout.gears if g.name != name)), name))


def without_machine(layout: Layout, name: str) -> Layout:
    """The layout without a machine, its rotor, and what then hangs in the air; an engine it started gets a starter that weighs nothing."""
    return _pruned(_lighter(_unpowered(layout, name), name))


def with_one_machine(layout: Layout, name: str) -> Layout:
    """The layout with one machine in place of all, of their rating together; its mass grows with its rating, as its rotor does."""
    total_W = sum(m.machine.rated_power_W for m in layout.machines)
    for other in [m.name for m in layout.machines if m.name != name]:
        layout = without_machine(layout, other)
    (use,) = layout.machines
    mass_kg = use.mass_kg * total_W / use.machine.rated_power_W
    layout = replace(layout, machines=(replace(use, machine=use.machine.scaled(total_W), mass_kg=mass_kg),))
    return _weighing(layout, f"machines.{name}", mass_kg)


def digested(layout: Layout) -> Layout:
    """The layout with the digest of what it now is."""
    return replace(layout, digest=digest(layout))


def _unpowered(layout: Layout, name: str) -> Layout:
    engine = replace(layout.engine, started_by=None) if layout.engine.started_by == name else layout.engine
    return replace(layout, engine=engine, machines=tuple(m for m in layout.machines if m.name != name))


def _costless(element: Element) -> Element:
    known: Any = element
    return cast(Element, replace(known, **{f.name: 0.0 for f in fields(known) if f.name in COSTS}))


def _lighter(layout: Layout, name: str) -> Layout:
    """The layout without the mass of a part."""
    key = next((k for k in layout.parts_kg if k.rpartition(".")[2] == name), None)
    return digested(layout) if key is None else _weighing(layout, key, 0.0)


def _weighing(layout: Layout, key: str, mass_kg: float) -> Layout:
    """The layout with another mass of a part that has one: vehicle and constant road load as in ``layout/masses.py``."""
    if key not in layout.parts_kg:
        return digested(layout)
    parts = layout.parts_kg | {key: mass_kg}
    laden_kg = layout.vehicle.mass_kg + mass_kg - layout.parts_kg[key]
    vehicle = replace(layout.vehicle, mass_kg=laden_kg, f0_N=layout.vehicle.f0_N * laden_kg / layout.vehicle.mass_kg)
    return digested(replace(layout, vehicle=vehicle, parts_kg={k: mass for k, mass in parts.items() if mass}))


# -- what hangs in the air -----------------------------------------------------------------------------------------------------


def _pruned(layout: Layout) -> Layout:
    """Without joints one end of which nothing else holds, until there are none; their mass goes with them."""
    whole = _joints(layout)
    while True:
        loose = _loose_shafts(layout)
        smaller = replace(
            layout, gears=tuple(g for g in layout.gears if not {g.from_shaft, g.to_shaft} & loose),
            clutches=tuple(c for c in layout.clutches if not {c.first, c.second} & loose),
            planetary_sets=tuple(p for p in layout.planetary_sets if not {p.sun, p.ring, p.carrier} & loose),
            shifters=tuple(s for s in (_with_positions(s, loose) for s in layout.shifters) if any(shaft for _, shaft in s.positions)))
        used = set(_ends(smaller))
        smaller = replace(smaller, shafts=tuple(s for s in layout.shafts if s in used),
                          shaft_properties={s: p for s, p in layout.shaft_properties.items() if s in used},
                          at_most_one=_groups(smaller), forbid=_words(smaller))
        if smaller.shafts == layout.shafts and _ends(smaller) == _ends(layout):
            return reduce(_lighter, sorted(whole - _joints(smaller)), digested(smaller))
        layout = smaller


def _joints(layout: Layout) -> set[str]:
    kinds = layout.gears, layout.clutches, layout.planetary_sets, layout.shifters
    return {joint.name for kind in kinds for joint in cast(tuple[Any, ...], kind)}


def _with_positions(shifter: Shifter, loose: set[str]) -> Shifter:
    if shifter.hub in loose:
        return replace(shifter, positions=())
    return replace(shifter, positions=tuple((word, shaft) for word, shaft in shifter.positions if shaft is None or shaft not in loose))


def _ends(layout: Layout) -> list[str]:
    """Every end of a joint, source and axle, by the name of its shaft."""
    return [layout.engine.shaft, *(m.shaft for m in layout.machines), *(a.shaft for a in layout.axles), *(b.shaft for b in layout.brakes),
            *(s for w in layout.one_way for s in (w.from_shaft, w.to_shaft) if s is not None),
            *(s for g in layout.gears for s in (g.from_shaft, g.to_shaft)), *(s for c in layout.clutches for s in (c.first, c.second)),
            *(s for p in layout.planetary_sets for s in (p.sun, p.ring, p.carrier)), *(s.hub for s in layout.shifters),
            *(shaft for s in layout.shifters for _, shaft in s.positions if shaft is not None)]


def _loose_shafts(layout: Layout) -> set[str]:
    """Shafts with one end only that is no source, no axle and no brake."""
    held = {layout.engine.shaft, *(m.shaft for m in layout.machines), *(a.shaft for a in layout.axles), *(b.shaft for b in layout.brakes),
            *(s for w in layout.one_way if None in (w.from_shaft, w.to_shaft) for s in (w.from_shaft, w.to_shaft) if s is not None)}
    return {shaft for shaft, count in Counter(_ends(layout)).items() if count == 1 and shaft not in held}


def _groups(layout: Layout) -> tuple[tuple[str, ...], ...]:
    """The ``at_most_one`` groups with the members that are left."""
    names = _engaging(layout)
    groups = (tuple(member for member in group if member in names) for group in layout.at_most_one)
    return tuple(group for group in groups if len(group) > 1)


def _words(layout: Layout) -> tuple[str, ...]:
    """The words of ``forbid`` that name only parts that are left; those with a star stay."""
    names = _engaging(layout) | {w.name for w in layout.one_way} | {"open"}
    return tuple(word for word in layout.forbid
                 if "*" in word or all(part in names for part in word.partition(":")[2].replace("~", "").split("+")))


def _engaging(layout: Layout) -> set[str]:
    """Names of clutches, brakes and shifters, and of these with each position."""
    names = {c.name for c in layout.clutches} | {b.name for b in layout.brakes} | {s.name for s in layout.shifters}
    return names | {f"{s.name}={word}" for s in layout.shifters for word, _ in s.positions}
