"""The most wheel torque a node can give at a speed, and the limit that stops more."""

from __future__ import annotations

import math

from ems.kernels.box import best_division, torque_range
from ems.kernels.frontier import Demands, Grid
from ems.kernels.jit import compiled
from ems.kernels.plant import (
    COUPLED,
    NO_DRIVE,
    OK,
    STRIDE,
    PlantArrays,
    free_range,
    make_bench,
    make_cut,
    terminal_power,
)

MOST_TORQUE = 40_000.0      # more than any car's wheels transmit [N m]


@compiled
def most_wheel_torque(plant: PlantArrays, t: int, demands: Demands, u: int, grid: Grid) -> tuple[float, int]:
    """(largest wheel torque [N m], code of the limit just above it); -inf where the speeds themselves are impossible."""
    ww, alpha, aux = demands.wheel_speed[u], demands.wheel_acceleration[u], demands.auxiliary[u]
    low, high = free_range(plant, t, ww)
    if low > high:
        return -math.inf, OK
    if not plant.wheel_free[t]:
        return -math.inf, NO_DRIVE * STRIDE
    bench = make_bench(plant)
    best, reason = -math.inf, OK
    points = grid.free_points if high > low else 1
    torques = grid.torque_points if plant.engine_mode[t] == COUPLED and plant.engine_free[t] else 1
    for q in range(points):
        f = low + (high - low) * q / max(points - 1.0, 1.0)
        cut = make_cut(plant, bench, t, ww, f, alpha, aux, demands.axle_least[u])
        if cut.code != OK:
            if best == -math.inf:
                reason = cut.code
            continue
        for i in range(torques):
            Te = cut.limit[0] * i / max(torques - 1.0, 1.0)
            under, over, code = 0.0, MOST_TORQUE, OK
            if cut.inner_source.size == 0:              # what the machines leave to the wheels at this engine torque
                cut.x[1] = Te
                low, high = torque_range(cut, 0, 0.0, MOST_TORQUE)
                if low > high:
                    continue
                under, over = low, min(1.001 * high + 1.0, MOST_TORQUE)
                for part in range(9):
                    under = low + part / 8.0 * (high - low)
                    if best_division(cut, under, Te, grid.inner_points, grid.inner_steps, False) < math.inf:
                        break
                    _, code = terminal_power(cut)
                else:
                    under = -math.inf
            for _ in range(34 if under > -math.inf else 0):
                middle = 0.5 * (under + over)
                if best_division(cut, middle, Te, grid.inner_points, grid.inner_steps, False) < math.inf:
                    under = middle
                else:
                    over = middle
                    _, code = terminal_power(cut)
            if under > best or best == -math.inf:
                best, reason = under, code
    return best, reason
