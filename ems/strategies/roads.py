"""Roads to tune on, made of a cycle: the cycle itself, each of its phases as a trip of its own, and the cycle over hills.

Few cycles hold every way of driving for a few minutes only. What is tuned on them alone fits their order and their length: a limit that
keeps the engine off through the one town phase of a cycle empties the battery in a longer one. A phase, driven until it is a trip, and
hills show that while tuning; no other cycle is looked at.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from ems.trips.cycle import Cycle
from ems.types import Array

AS_IT_IS = ""               # name of the road that is the cycle itself
HILLS = "over hills"
SHORTEST_S = 1200.0         # a phase is driven again and again until it is so long
STEEPEST = 0.04             # grade of the hills, rise over run
HILL_M = 6000.0             # length of a hill, up and down, about


def roads(cycle: Cycle) -> tuple[str, ...]:
    """Names of the roads made of a cycle, the cycle itself first.

    Phases that do not begin and end at rest make none, equal ones make one; hills are for cycles on the level.
    """
    found = [AS_IT_IS]
    if len(cycle.phases) > 1:
        pieces: list[Array] = []
        for i, phase in enumerate(cycle.phases):
            speed = cycle.speed_m_s[_of_phase(cycle, i)]
            at_rest = speed.size > 1 and speed[0] == 0.0 and speed[-1] == 0.0 and speed.max() > 0.0
            if at_rest and phase.name not in found and not any(np.array_equal(speed, other) for other in pieces):
                pieces.append(speed)
                found.append(phase.name)
    if not cycle.grade.any():
        found.append(HILLS)
    return tuple(found)


def road(cycle: Cycle, name: str) -> Cycle:
    """One of the roads that ``roads`` names."""
    if name == AS_IT_IS:
        return cycle
    title = f"{cycle.title}, {name}"
    if name == HILLS:
        at_m = np.concatenate([[0.0], np.cumsum(cycle.middle_speed_m_s * np.diff(cycle.time_s))])
        waves = max(round(float(at_m[-1]) / HILL_M), 1)
        grade = STEEPEST * np.sin(2.0 * np.pi * waves * at_m / at_m[-1])
        return replace(cycle, name=f"{cycle.name} {name}", title=title, grade=grade, phases=(), file=None)
    here = _of_phase(cycle, next(i for i, phase in enumerate(cycle.phases) if phase.name == name))
    steps = here.stop - here.start - 1
    step_s = float(cycle.time_s[1] - cycle.time_s[0])
    times = max(math.ceil(SHORTEST_S / (steps * step_s)), 1)
    ends = np.arange(here.start, here.stop)
    again = np.concatenate([ends, np.tile(ends[1:], times - 1)])
    return replace(cycle, name=f"{cycle.name} {name}", title=title, time_s=step_s * np.arange(again.size, dtype=float),
                   speed_m_s=cycle.speed_m_s[again], grade=cycle.grade[again],
                   auxiliary_W=np.tile(cycle.auxiliary_W[here.start:here.stop - 1], times), phases=(), file=None)


def _of_phase(cycle: Cycle, index: int) -> slice:
    """Points in time of a phase, both ends included."""
    inside = np.flatnonzero(cycle.phase_index == index)
    return slice(int(inside[0]), int(inside[-1]) + 2) if inside.size else slice(0, 0)
