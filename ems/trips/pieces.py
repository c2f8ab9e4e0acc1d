"""Pieces of cycles, and cycles driven several times over."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ems.trips.cycle import Cycle


def piece(cycle: Cycle, first: int) -> Cycle:
    """The cycle from interval ``first`` on, times kept; without phases."""
    return replace(cycle, name=f"{cycle.name} from {cycle.time_s[first]:g} s", time_s=cycle.time_s[first:],
                   speed_m_s=cycle.speed_m_s[first:], grade=cycle.grade[first:], auxiliary_W=cycle.auxiliary_W[first:], phases=())


def repeated(cycle: Cycle, times: int) -> Cycle:
    """The cycle driven ``times`` times without a pause; without phases. The end of one is the start of the next."""
    span = cycle.time_s[-1] - cycle.time_s[0]
    time_s = np.concatenate([cycle.time_s[:-1] + i * span for i in range(times)] + [[cycle.time_s[0] + times * span]])
    speed = np.append(np.tile(cycle.speed_m_s[:-1], times), cycle.speed_m_s[-1])
    grade = np.append(np.tile(cycle.grade[:-1], times), cycle.grade[-1])
    return replace(cycle, name=f"{times} x {cycle.name}", time_s=time_s, speed_m_s=speed, grade=grade,
                   auxiliary_W=np.tile(cycle.auxiliary_W, times), phases=())
