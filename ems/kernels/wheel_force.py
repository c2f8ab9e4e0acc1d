"""The most wheel torque of every node at every speed, standing still in acceleration and as the car gathers speed.

The torque is sought upwards from the best so far: a free engine speed and engine torque that cannot beat it cost one
look. Both are scanned first and then searched by halving steps around the best.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numba

from ems.kernels.box import best_division
from ems.kernels.jit import compiled, compiled_parallel
from ems.kernels.plant import (
    BATTERY_TAKES,
    COUPLED,
    NO_DRIVE,
    OK,
    STRIDE,
    Bench,
    PlantArrays,
    free_range,
    make_bench,
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
    """What the wheels work against: equivalent mass [kg] with its wheels, wheel radius [m], auxiliaries [W], the torque at the
    wheels above which nothing is sought [N m], and (A,) the least torque of axles whose braking is limited [N m]."""

    mass: float
    radius: float
    auxiliary: float
    ceiling: float
    axle_least: Any


@compiled
def _gives(cut: Any, Tw: float, Te: float, grid: ForceGrid) -> int:
    """OK when the wheels can have Tw with the engine at Te, else the limit that is broken."""
    if best_division(cut, Tw, Te, grid.inner_points, grid.inner_steps, False) < math.inf:
        return OK
    _, code = terminal_power(cut)
    return code if code != OK else NO_DRIVE * STRIDE


@compiled
def _engine_alone(cut: Any, Te: float) -> float:
    """Wheel torque at which no machine has to hold back the engine's Te: below it a machine may be asked too much."""
    T = 0.0
    cut.x[1] = Te
    for i in range(cut.inner_source.size):
        cut.x[2 + i] = 0.0
    for _ in range(2):                      # the second time with the directions of the first
        cut.x[0] = T
        set_torques(cut)
        pattern = cut.pattern[0]
        for m in range(1, cut.speed.size):
            gain = cut.maps[pattern, m, 0]
            if gain != 0.0:
                T = max(T, cut.x[0] - cut.out[m] / gain)
    return T


@compiled
def _raised(cut: Any, Te: float, best: float, reason: int, ceiling: float, grid: ForceGrid) -> tuple[float, int]:
    """(largest wheel torque at engine torque Te, limit above it) if more than ``best``; else best and its reason."""
    lowest = 0.0 if best < 0.0 else best + RESOLUTION_NM
    T = min(max(lowest, _engine_alone(cut, Te)), ceiling)
    code = _gives(cut, T, Te, grid)
    if code != OK and code // STRIDE != BATTERY_TAKES and T > lowest:
        T = lowest
        code = _gives(cut, T, Te, grid)
    if code != OK and code // STRIDE != BATTERY_TAKES:
        return best, reason if best >= 0.0 else code
    under, over, above = (T, ceiling, OK) if code == OK else (-1.0, ceiling, code)
    step = max(0.05 * T, 20.0)
    while T < ceiling:                      # upwards, through where the battery could not take what is left
        T = min(T + step, ceiling)
        code = _gives(cut, T, Te, grid)
        if code == OK:
            under, step = T, 2.0 * step
        elif code // STRIDE != BATTERY_TAKES or under >= 0.0:
            over, above = T, code
            break
    if under < 0.0:
        return best, reason if best >= 0.0 else above
    while over - under > RESOLUTION_NM:
        T = 0.5 * (under + over)
        code = _gives(cut, T, Te, grid)
        if code == OK:
            under = T
        else:
            over, above = T, code
    return (under, above) if under > best else (best, reason)


@compiled
def _at(plant: PlantArrays, bench: Bench, t: int, ww: float, f: float, share: float, alpha: float, road: Road, grid: ForceGrid,
        best: float, reason: int) -> tuple[float, int]:
    """``_raised`` at free engine speed f and at a share of full load."""
    cut = make_cut(plant, bench, t, ww, f, alpha, road.auxiliary, road.axle_least)
    if cut.code != OK:
        return best, reason if best >= 0.0 else cut.code
    return _raised(cut, share * cut.limit[0], best, reason, road.ceiling, grid)


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
    best, reason, best_f, best_share = -1.0, OK, low, 1.0
    for i in range(shares):
        share = 1.0 - i / max(shares - 1.0, 1.0)
        for q in range(points):
            f = low + (high - low) * q / max(points - 1.0, 1.0)
            found, reason = _at(plant, bench, t, ww, f, share, alpha, road, grid, best, reason)
            if found > best:
                best, best_f, best_share = found, f, share
    if best < 0.0 or not (free or coupled):
        return best, reason
    step_f, step_share = (high - low) / max(points - 1.0, 1.0), 1.0 / max(shares - 1.0, 1.0) if coupled else 0.0
    for _ in range(grid.halvings):
        step_f, step_share = 0.5 * step_f, 0.5 * step_share
        centre_f, centre_share = best_f, best_share
        for i in range(-1, 2):
            for q in range(-1, 2):
                f, share = centre_f + q * step_f, centre_share + i * step_share
                if low <= f <= high and 0.0 <= share <= 1.0 and not ((i != 0 and not coupled) or (q != 0 and not free)):
                    found, reason = _at(plant, bench, t, ww, f, share, alpha, road, grid, best, reason)
                    if found > best:
                        best, best_f, best_share = found, f, share
    return best, reason


@compiled
def gathering_torque(plant: PlantArrays, bench: Bench, t: int, ww: float, resistance: float, steady: float, road: Road,
                     grid: ForceGrid) -> tuple[float, float]:
    """(wheel torque, wheel acceleration) when all that is left over resistance accelerates the car and what turns with it.

    steady : most torque at constant speed; the torque falls linearly with acceleration while one limit holds, so one more
    look and a line through both find where they agree.
    """
    alpha = (steady - resistance) / (road.mass * road.radius**2)
    if steady < 0.0 or alpha <= 0.0:
        return steady, alpha
    falling = 0.0
    for _ in range(2):
        torque, _ = most_torque(plant, bench, t, ww, alpha, road, grid)
        falling = (steady - max(torque, 0.0)) / alpha
        alpha = (steady - resistance) / (road.mass * road.radius**2 + falling)
    return steady - falling * alpha, alpha


@compiled_parallel
def force_map(plant: PlantArrays, wheel_speed: Any, resistance: Any, road: Road, grid: ForceGrid, gathering: bool, steady: Any,
              code: Any, acceleration: Any) -> None:
    """Fills the maps of V speeds and N nodes.

    wheel_speed, resistance : (V,) [rad/s], [N m]        gathering : whether to fill ``acceleration`` too
    steady, code : (V, N) most wheel torque at constant speed [N m] (-1: none), limit above it
    acceleration : (V, N) wheel acceleration with all of it [rad/s2]
    """
    nodes = plant.engine_mode.size
    for i in numba.prange(wheel_speed.size * nodes):
        v, n = i // nodes, i % nodes
        bench = make_bench(plant)
        steady[v, n], code[v, n] = most_torque(plant, bench, n, wheel_speed[v], 0.0, road, grid)
        if gathering:
            _, acceleration[v, n] = gathering_torque(plant, bench, n, wheel_speed[v], resistance[v], steady[v, n], road, grid)
