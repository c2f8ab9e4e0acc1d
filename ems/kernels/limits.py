"""The most wheel torque a node can give at a speed, and the limit that stops more."""

from __future__ import annotations

import math

from ems.kernels.box import best_division
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
            under, over, code = 0.0, 40000.0, OK
            for _ in range(34):
                middle = 0.5 * (under + over)
                if best_division(cut, middle, Te, grid.inner_points, grid.inner_steps, False) < math.inf:
                    under = middle
                else:
                    over = middle
                    _, code = terminal_power(cut)
            if under > best:
                best, reason = under, code
    return best, reason
