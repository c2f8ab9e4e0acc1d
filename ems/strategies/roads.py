"""Roads to tune on, made of a cycle: the cycle itself, each of its phases as a trip of its own, and the cycle over hills.

A handful of cycles holds each way of driving for a few minutes only. What is tuned on them alone fits their order and their length: a
limit that keeps the engine off through the one town phase of a cycle empties the battery in a longer one. A phase driven until it is a
trip shows that while tuning, and so do hills; no other cycle is looked at.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from ems.trips.cycle import Cycle
from ems.trips.pieces import repeated
from ems.types import Array

AS_IT_IS = ""               # name of the road that is the cycle itself
HILLS = "over hills"
SHORTEST_S = 1200.0         # a phase is driven again and again until it is so long, about as long as a shipped cycle; no source
STEEPEST = 0.04             # grade of the hills, rise over run; no source
LEVEL_M = 1.0               # of height, by which the end of a phase may differ from its start
HILL_M = 6000.0             # length of a hill, up and down, about: 76 m high at that grade; no source


def roads(cycle: Cycle) -> tuple[str, ...]:
    """Names of the roads made of a cycle, the cycle itself first.

    Phases that do not begin and end at rest, and at one height, make none, equal ones make one; hills are for cycles on the level.
    """
    found = [AS_IT_IS]
    if len(cycle.phases) > 1:
        pieces: list[tuple[Array, Array, Array]] = []
        for i, phase in enumerate(cycle.phases):
            piece = _of_phase(cycle, i)
            known = phase.name in (*found, HILLS) or any(all(map(np.array_equal, piece, other)) for other in pieces)
            if not known and _is_a_trip(piece[0], piece[1]):
                pieces.append(piece)
                found.append(phase.name)
    if not cycle.grade.any():
        found.append(HILLS)
    return tuple(found)


def road(cycle: Cycle, name: str) -> Cycle:
    """One of the roads that ``roads`` names, in steps of one second from nothing on, without phases unless it is the cycle itself."""
    if name == AS_IT_IS:
        return cycle
    title = f"{cycle.title}, {name}"
    if name == HILLS:
        at_m = np.concatenate([[0.0], np.cumsum(cycle.middle_speed_m_s * np.diff(cycle.time_s))])
        waves = max(round(float(at_m[-1]) / HILL_M), 1)
        grade = STEEPEST * np.sin(2.0 * np.pi * waves * at_m / at_m[-1])
        return replace(cycle, name=f"{cycle.name} {name}", title=title, grade=grade, phases=(), file=None)
    speed, grade, auxiliary_W = _of_phase(cycle, next(i for i, phase in enumerate(cycle.phases) if phase.name == name))
    once = replace(cycle, time_s=np.arange(speed.size, dtype=float), speed_m_s=speed, grade=grade, auxiliary_W=auxiliary_W)
    again = repeated(once, max(math.ceil(SHORTEST_S / once.duration_s), 1))
    return replace(again, name=f"{cycle.name} {name}", title=title, file=None)


def _is_a_trip(speed_m_s: Array, grade: Array) -> bool:
    """Whether a piece (N + 1,) moves, from rest to rest, and ends within ``LEVEL_M`` of the height it began at: it can be driven again."""
    if speed_m_s.size < 2 or speed_m_s[0] != 0.0 or speed_m_s[-1] != 0.0:
        return False
    rise_m = float(np.sum(0.25 * (speed_m_s[1:] + speed_m_s[:-1]) * (grade[1:] + grade[:-1])))
    return bool(speed_m_s.max() > 0.0) and abs(rise_m) <= LEVEL_M


def _of_phase(cycle: Cycle, index: int) -> tuple[Array, Array, Array]:
    """Speed (N + 1,) [m/s], grade (N + 1,) and auxiliary load (N,) [W] of the N intervals of a phase; empty where N is 0."""
    inside = np.flatnonzero(cycle.phase_index == index)
    ends = np.append(inside, inside[-1:] + 1)
    return cycle.speed_m_s[ends], cycle.grade[ends], cycle.auxiliary_W[inside]
