"""Derives every configuration of a layout: what can be engaged, and where power can flow then.

What the wheels and the engine are linked to by balances decides what a configuration is; no list of modes is written
anywhere.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from fnmatch import fnmatchcase

from ems.configurations.kinematics import ActuatorState, actuator_states
from ems.configurations.mechanism import Mechanism
from ems.configurations.model import Configuration, Derivation, EngineState, Interlock
from ems.errors import InputError, Mistake, nearest_name
from ems.layout.model import Layout


def derive(layout: Layout) -> Derivation:
    """Every configuration the layout can run in, tie-ups and remarks.

    Raises ``InputError`` when every actuator state is a tie-up, or ``forbid`` names no configuration.
    """
    found: dict[object, list[Configuration]] = {}
    tie_ups: list[Interlock] = []
    notes: list[Interlock] = []
    states = list(actuator_states(layout))
    for state in states:
        usable, reason = _usable(layout, state)
        if reason:
            tie_ups.append(Interlock(state, reason))
        for mechanism in usable:
            notes += [] if mechanism.state.slipping else mechanism.notes()
            for engine in EngineState:
                configuration = mechanism.configuration(engine)
                if configuration is not None:
                    found.setdefault(_essence(configuration, mechanism), []).append(configuration)
    if not found:
        raise InputError([_nothing_usable(layout, len(states), len(tie_ups))])
    merged = tuple(_merge(group) for group in found.values())
    derivation = Derivation(merged, tuple(tie_ups), tuple(notes), len(states))
    return _without_forbidden(layout, derivation)


def _usable(layout: Layout, state: ActuatorState) -> tuple[list[Mechanism], str]:
    """The mechanisms an actuator state can be: one-way clutches free or locked, a clutch slipping; and why none can."""
    candidates = [Mechanism(layout, locked) for locked in _one_way_states(layout, state)]
    usable = [m for m in candidates
              if not m.wheels_locked and not m.stopped_by_one_way() and not (m.state is not state and m.has_idle_lock())]
    if not usable:
        first = candidates[0]
        blocker = None if first.wheels_locked else first.stopped_by_one_way()
        return [], f"locks the wheels forwards: one-way clutch {blocker}" if blocker else first.lock_reason()
    slipping = [Mechanism(layout, replace(m.state, slipping=(clutch.name,)))
                for m in usable for clutch in layout.clutches if clutch.slips and clutch.name in state.closed]
    return usable + [m for m in slipping if m.launches()], ""


def _one_way_states(layout: Layout, state: ActuatorState) -> Iterator[ActuatorState]:
    """The state itself, then the same with one-way clutches locked."""
    yield state
    names = [w.name for w in layout.one_way]
    for count in range(1, len(names) + 1):
        for locked in itertools.combinations(names, count):
            yield replace(state, closed=state.closed + locked)


def _name(layout: Layout) -> str:
    return layout.path.name if layout.path else layout.name


def _nothing_usable(layout: Layout, states: int, tie_ups: int) -> Mistake:
    key = "clutches, brakes, shifters, gears"
    if tie_ups == states:
        return Mistake(_name(layout), key, f"all actuator states ({states}) lock the wheels",
                       "at least one state in which the wheels can turn")
    return Mistake(_name(layout), key, f"{tie_ups} of {states} actuator states lock the wheels; no other can be used "
                   "at any car speed, engine stopped or running",
                   "at least one state that keeps every speed limit at some car speed")


def _essence(c: Configuration, mechanism: Mechanism) -> object:
    """What two actuator states must share to be one configuration.

    Speeds of the sources and of every shaft with inertia, balances, the joints that carry load, limits, drags, electric
    power, and the actuators whose next change takes time.
    """
    meshes = tuple(j.name for j in mechanism.loaded_joints(c) if j.efficiency < 1)
    return (c.engine, c.idling, c.wheel_driven, c.speed_map, c.balances, c.slips, c.locked, c.electric_W,
            mechanism.turning_shafts(c), meshes, c.state.timed(mechanism.layout),
            frozenset((s.wheel, s.free, s.low_rad_s, s.high_rad_s) for s in c.speed_limits),
            frozenset((m.joint, m.factor, m.low_Nm, m.high_Nm) for m in c.load_limits),
            tuple(sorted((d.terms, d.wheel, d.free, d.constant_Nm, d.viscous_Nms_rad) for d in c.drags)))


def _merge(group: list[Configuration]) -> Configuration:
    """The member with fewest actuators engaged stands for all."""
    best = min(group, key=lambda c: len(c.state.engaged))
    return replace(best, equivalents=tuple(c.state.words for c in group if c is not best))


def _without_forbidden(layout: Layout, derivation: Derivation) -> Derivation:
    """Without what ``forbid`` names: a configuration by its own id, or one actuator state among its equivalents."""
    mistakes, kept = [], list(derivation.configurations)
    for i, word in enumerate(layout.forbid, 1):
        left = [_allowed(c, word) for c in derivation.configurations]
        if all(c is own for c, own in zip(left, derivation.configurations, strict=True)):
            known = [c.id for c in derivation.configurations]
            mistakes.append(Mistake(_name(layout), f"forbid.{i}", f"'{word}'",
                                    "the id of a configuration (see: ems modes)", nearest_name(word, known)))
        kept = [c for c in (_allowed(c, word) for c in kept) if c is not None]
    if mistakes:
        raise InputError(mistakes)
    return replace(derivation, configurations=tuple(kept))


def _allowed(c: Configuration, word: str) -> Configuration | None:
    """What a word of ``forbid`` leaves of a configuration: itself, itself with fewer equivalents, or nothing."""
    if _names(word, c.id):
        return None
    equivalents = tuple(e for e in c.equivalents if not _names(word, f"{c.engine.prefix}:{e}"))
    return c if equivalents == c.equivalents else replace(c, equivalents=equivalents)


def _names(word: str, id_: str) -> bool:
    """Whether a word of ``forbid`` means this id: what is engaged in any order, or with a star."""
    if "*" in word:
        return fnmatchcase(id_, word)
    (prefix, _, state), (own_prefix, _, own_state) = word.partition(":"), id_.partition(":")
    return prefix == own_prefix and sorted(state.split("+")) == sorted(own_state.split("+"))
