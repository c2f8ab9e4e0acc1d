"""The most wheel torque of a node at a speed and acceleration.

The torque is sought upwards from the best so far: a free engine speed and engine torque that cannot beat it cost one
look. Both are scanned first and then searched by halving steps around the best. Every search is one loop with one call,
and there are few levels of calls, because the plant is compiled into each of them; that is why the map over speeds and
nodes is a loop outside.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from ems.kernels.box import best_division, torque_range
from ems.kernels.jit import FIRST, NO, compiled
from ems.kernels.plant import (
    BATTERY_GIVES,
    BATTERY_TAKES,
    COUPLED,
    MACHINE_DRIVES,
    MACHINE_TORQUE,
    NO_DRIVE,
    OK,
    STRIDE,
    Bench,
    Cut,
    PlantArrays,
    free_range,
    make_cut,
    set_torques,
    terminal_power,
)

RESOLUTION_NM = 0.02


class ForceGrid(NamedTuple):
    """How finely the most torque is sought: points of speed and torque scanned, halvings, division between machines."""

    free_points: int
    torque_points: int
    halvings: int
    inner_points: int
    inner_steps: int


class Road(NamedTuple):
    """Auxiliaries [W], the torque at the wheels above which nothing is sought [N m], and (A,) the least torque of axles whose
    braking is limited [N m]."""

    auxiliary: float
    ceiling: float
    axle_least: Any


@compiled
def _gives(cut: Cut, Tw: float, Te: float, grid: ForceGrid) -> int:
    """OK when the wheels can have Tw with the engine at Te, else the limit that is broken."""
    if best_division(cut, Tw, Te, grid.inner_points, grid.inner_steps, NO) < math.inf:
        return OK
    _, code = terminal_power(cut)
    return code if code != OK else NO_DRIVE * STRIDE


@compiled
def _between(cut: Cut, Te: float, ceiling: float) -> tuple[float, float, float]:
    """(low, high, wheel torque below which machines hold back some of the engine's Te: more of it eases them).

    Outside low and high some machine is asked more than its peak; where there is a choice of division that cannot be told.
    """
    cut.x[1] = Te
    alone = 0.0
    for i in range(cut.inner_source.size):
        cut.x[2 + i] = 0.0
    for _ in range(2):                      # the second time with the directions of the first
        cut.x[0] = alone
        set_torques(cut)
        pattern = cut.pattern[0]
        for m in range(1, cut.speed.size):
            gain = cut.maps[pattern, m, 0]
            if gain != 0.0:
                alone = max(alone, cut.x[0] - cut.out[m] / gain)
    if cut.inner_source.size > 0:
        return 0.0, ceiling, alone
    low, high = torque_range(cut, FIRST, 0.0, ceiling)
    return low, high, alone


@compiled
def _raised(cut: Cut, Te: float, best: float, reason: int, ceiling: float, grid: ForceGrid) -> tuple[float, int]:
    """(largest wheel torque at engine torque Te, limit above it) if more than ``best``; else best and its reason.

    More wheel torque asks more of the battery: where it could not take what is left, or machines hold back the engine and a
    limit of theirs is in the way, the search goes up, at any other limit down.
    """
    low, high, alone = _between(cut, Te, ceiling)
    low = max(low, 0.0 if best < 0.0 else best + RESOLUTION_NM)
    if low > high:
        return best, reason if best >= 0.0 else MACHINE_TORQUE * STRIDE + 1
    T, under, over, above, found = low, low, high, OK, False
    while True:
        code = _gives(cut, T, Te, grid)
        limit = code // STRIDE
        if code == OK or limit == BATTERY_TAKES or (T < alone and limit in (MACHINE_TORQUE, MACHINE_DRIVES)):
            under, found = T, found or code == OK
            if T >= over:
                break
            if not found:
                above = code
        else:
            over, above = T, code
            if T <= low:
                if limit != BATTERY_GIVES or alone <= low or alone > high:
                    break
                over, T = high, alone       # near standstill holding back only heats: a look at where nothing is held back
                continue
        if over - under <= RESOLUTION_NM:
            break
        T = high if T == low else 0.5 * (under + over)
    if not found:
        return best, reason if best >= 0.0 else above
    return under, above


@compiled
def most_torque(plant: PlantArrays, bench: Bench, t: int, ww: float, alpha: float, road: Road, grid: ForceGrid) -> tuple[float, int]:
    """(most wheel torque of node t at wheel speed ww and acceleration alpha, code of the limit above it); -1 where nothing is possible."""
    low, high = free_range(plant, t, ww)
    if low > high:
        return -1.0, OK
    if not plant.wheel_driven[t] or not plant.wheel_free[t]:
        return -1.0, NO_DRIVE * STRIDE
    free = high > low
    coupled = plant.engine_mode[t] == COUPLED and plant.engine_free[t]
    points, shares = grid.free_points if free else 1, grid.torque_points if coupled else 1
    step_f, step_share = (high - low) / max(points - 1.0, 1.0), 1.0 / max(shares - 1.0, 1.0)
    best, reason, best_f, best_share = -1.0, OK, low, 1.0
    f = share = centre_f = centre_share = 0.0
    scanned = points * shares
    for k in range(scanned + 9 * grid.halvings):
        if k < scanned:                     # all over, full load first
            f, share = low + k % points * step_f, 1.0 - k // points * step_share
        else:                               # then the eight around the best so far, ever closer
            if best < 0.0 or not (free or coupled):
                break
            q, i = (k - scanned) % 3 - 1, (k - scanned) // 3 % 3 - 1
            if (k - scanned) % 9 == 0:
                step_f, step_share = 0.5 * step_f, 0.5 * step_share
                centre_f, centre_share = best_f, best_share
            f, share = centre_f + q * step_f, centre_share + i * step_share
            if not (low <= f <= high and 0.0 <= share <= 1.0) or (q == 0 and i == 0) or (q != 0 and not free) or (i != 0 and not coupled):
                continue
        cut = make_cut(plant, bench, t, ww, f, alpha, road.auxiliary, road.axle_least)
        if cut.code == OK:
            found, reason = _raised(cut, share * cut.limit[0], best, reason, road.ceiling, grid)
            if found > best:
                best, best_f, best_share = found, f, share
        elif best < 0.0:
            reason = cut.code
    return best, reason
