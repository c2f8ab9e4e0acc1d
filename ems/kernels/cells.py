"""Lower bound of what every trip costs above affine values, by cells of stored energy: a sweep that closes duality gaps.

The excess of a cell is the least reduced cost (never negative) of the rest of the trip from any energy inside it. A step takes the
least over all cells it can end in, so nothing is interpolated and every figure stays a lower bound.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from ems.kernels.jit import compiled
from ems.kernels.sweep import HUGE, Changes, Points


class Cells(NamedTuple):
    """Window in C equal cells: edge (C + 1,) energies from the target [J]; least and most R / V^2 inside, out of and into the
    battery, (C,) each [1/W]."""

    edge: Any
    out_least: Any
    out_most: Any
    in_least: Any
    in_most: Any


@compiled
def _least(values: Any, low: float, high: float) -> float:
    """Least value of the cells that the interval [low, high], counted in cells, touches; HUGE outside."""
    size = values.size
    if high < 0.0 or low > size:
        return HUGE
    best = HUGE
    for i in range(max(math.floor(low - 1e-9), 0), min(math.floor(high + 1e-9), size - 1) + 1):
        best = min(best, values[i])
    return best


@compiled
def _drive_cells(points: Points, cells: Cells, k: int, c: int, slope: Any, stage: float, limit: float, after: Any, out: Any) -> None:
    """out (C,): least reduced cost of interval k in node c plus the excess after it, from any energy of each cell."""
    edge, size, dt = cells.edge, out.size, points.dt[k]
    width = edge[1] - edge[0]
    tilt, price = slope[k] - slope[k + 1], slope[k + 1] * dt
    out[:] = HUGE
    for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
        P, fuel = points.power[j], points.fuel[j] * dt - stage
        for i in range(size):
            x_least, x_most = (cells.out_least[i], cells.out_most[i]) if P > 0.0 else (cells.in_least[i], cells.in_most[i])
            root = 1.0 - 4.0 * P * x_least
            if root < 0.0:
                continue
            p_least = 2.0 * P / (1.0 + math.sqrt(root))
            reduced = fuel + price * p_least + min(tilt * edge[i], tilt * edge[i + 1])
            if reduced > limit or reduced >= out[i]:
                continue
            p_most = 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x_most, 0.0)))
            ends = _least(after, (edge[i] - p_most * dt - edge[0]) / width, (edge[i + 1] - p_least * dt - edge[0]) / width)
            out[i] = min(out[i], reduced + ends)


@compiled
def least_excess(points: Points, changes: Changes, cells: Cells, slope: Any, intercept: Any, stage: Any, limit: float,
                 start: float) -> float:
    """Least reduced cost of any trip above the affine values; what costs more than ``limit`` is not followed.

    slope (K + 1,), intercept (K + 1, N + 1), stage (K, N) : of the affine certificate      start : energy from the target [J]
    """
    K, N = points.count.shape
    size = cells.edge.size - 1
    width = cells.edge[1] - cells.edge[0]
    excess, driven = np.full((N, size), HUGE), np.full((N, size), HUGE)
    for i in range(size):
        if cells.edge[i + 1] >= 0.0:
            excess[:, i] = slope[K] * max(cells.edge[i], 0.0)
    for k in range(K - 1, -1, -1):
        for c in range(N):
            if points.count[k, c] > 0:
                _drive_cells(points, cells, k, c, slope, stage[k, c], limit, excess[c], driven[c])
        best = HUGE
        excess[:] = HUGE
        for a in range(N + 1):
            if (a == N and k > 0) or (a < N and (k == 0 or points.count[k - 1, a] == 0)):
                continue
            for c in range(N):
                reduced = changes.fixed[a, c] + slope[k] * changes.stored[k, a, c] + stage[k, c] + intercept[k + 1, c] - intercept[k, a]
                if points.count[k, c] == 0 or reduced > limit:
                    continue
                shift = changes.stored[k, a, c] / width
                if a == N:
                    place = (start - cells.edge[0]) / width - shift
                    best = min(best, reduced + _least(driven[c], place, place))
                elif shift == 0.0:
                    for i in range(size):
                        excess[a, i] = min(excess[a, i], reduced + driven[c, i])
                else:
                    for i in range(size):
                        excess[a, i] = min(excess[a, i], reduced + _least(driven[c], i - shift, i + 1 - shift))
    return best
