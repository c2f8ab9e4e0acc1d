"""Lower bound of what every trip costs above affine values, by cells of stored energy: a sweep that closes duality gaps.

The excess of a cell is the least reduced cost (never negative) of the rest of the trip from any energy inside it. A step takes the
least over all cells it can end in, so nothing is interpolated and every figure stays a lower bound. Cells are taken in blocks: inside
one the battery's losses are bounded together, so that a step shifts the whole block by the same number of cells.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from ems.kernels.changes import HUGE, Links
from ems.kernels.jit import compiled, compiled_inline, compiled_making
from ems.kernels.lookup import lesser
from ems.kernels.sweep import Points

BLOCK = 64          # cells in a block
PAD = 4             # entries before the first and after the last cell in lists of least values
NEAR = 1e-6         # cells by which an energy may be off; what lies this near an edge counts to both sides
LONGEST = 3         # cells that a step can end in, in all usual cases


class Cells(NamedTuple):
    """Window in C equal cells: edge (C + 1,) energies from the target [J]; least and most R / V^2 in each block of cells, out of and
    into the battery, (blocks,) each [1/W]; the most terminal power that any energy of a block gives and takes, (blocks,) each [W]."""

    edge: Any
    out_least: Any
    out_most: Any
    in_least: Any
    in_most: Any
    gives: Any
    takes: Any


@compiled
def _spread(values: Any, runs: Any, least: Any) -> None:
    """runs (LONGEST, C + 2 PAD) out: least of 1, 2, .. values (C,) from each cell on; HUGE outside. least (blocks,) out."""
    size, blocks = values.size, least.size
    for block in range(blocks):
        lowest = HUGE
        for i in range(block * BLOCK, min((block + 1) * BLOCK, size)):
            lowest = lesser(lowest, values[i])
        least[block] = lowest
    for i in range(PAD):
        runs[0, i] = runs[0, size + PAD + i] = HUGE
    for i in range(size):
        runs[0, i + PAD] = values[i]
    for n in range(1, LONGEST):
        for block in range(-1, blocks):
            begin, end = max(block * BLOCK, -PAD) + PAD, min((block + 1) * BLOCK, size) + PAD
            if min(least[max(block, 0)], least[min(block + 1, blocks - 1)]) >= HUGE:
                for i in range(begin, end):
                    runs[n, i] = HUGE
            else:
                for i in range(begin, end):
                    runs[n, i] = lesser(runs[n - 1, i], runs[0, i + n])
        for i in range(size + PAD, size + 2 * PAD):
            runs[n, i] = HUGE


@compiled_inline
def _lower(out: Any, begin: int, end: int, runs: Any, first: int, last: int, add: float, tilt: float, edge: Any) -> None:
    """out (C,) lowered for cells begin .. end - 1 of a step that ends in cells first .. last further on, at a cost of add + tilt * edge."""
    size = out.size
    shift = 0 if tilt >= 0.0 else 1
    for part in range(first, last + 1, LONGEST):            # one part in all usual cases
        length = min(last - part + 1, LONGEST)
        low, high = max(begin, -part - PAD), min(end, size + PAD - part)
        run = runs[length - 1]
        for i in range(low, high):
            out[i] = lesser(out[i], add + tilt * edge[i + shift] + run[i + part + PAD])


@compiled_inline
def _least_among(least: Any, first: int, last: int) -> float:
    """Least value in the blocks that hold cells first .. last; HUGE outside."""
    lowest = HUGE
    for block in range(max(first // BLOCK, 0), min(last // BLOCK, least.size - 1) + 1):
        lowest = lesser(lowest, least[block])
    return lowest


@compiled_inline
def _steps(moved: float, least: float) -> tuple[int, int]:
    """First and last cell, counted from its own, that a cell can end in when it falls by ``least`` to ``moved`` cells."""
    if moved == 0.0 and least == 0.0:
        return 0, 0
    return math.floor(-moved - NEAR), 1 + math.floor(-least + NEAR)


@compiled
def _drive_cells(points: Points, cells: Cells, k: int, n: int, slope: Any, stage: float, limit: float, runs: Any, least: Any,
                 out: Any) -> None:
    """out (C,): least reduced cost of interval k in node n plus the excess after it (``runs``, ``least``), from any energy of each cell;
    what costs more than the limit is left out."""
    edge, size, dt = cells.edge, out.size, points.dt[k]
    width = (edge[size] - edge[0]) / size
    tilt, price = slope[k] - slope[k + 1], slope[k + 1] * dt
    out[:] = HUGE
    for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
        P, fuel = points.power[j], points.fuel[j] * points.burn[k] - stage
        for block in range(cells.out_least.size):
            x_least, x_most = (cells.out_least[block], cells.out_most[block]) if P > 0.0 else (cells.in_least[block], cells.in_most[block])
            root = 1.0 - 4.0 * P * x_least
            if root < 0.0 or P > cells.gives[block] or P < -cells.takes[block]:
                continue
            begin, end = block * BLOCK, min((block + 1) * BLOCK, size)
            p_least = 2.0 * P / (1.0 + math.sqrt(root))
            add = fuel + price * p_least
            if add + min(tilt * edge[begin], tilt * edge[end]) > limit:
                continue
            p_most = 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x_most, 0.0)))
            first, last = _steps(p_most * dt / width, p_least * dt / width)
            if add + min(tilt * edge[begin], tilt * edge[end]) + _least_among(least, begin + first, end - 1 + last) > limit:
                continue
            _lower(out, begin, end, runs, first, last, add, tilt, edge)


@compiled_making
def least_excess(points: Points, links: Links, cells: Cells, slope: Any, intercept: Any, stage: Any, limit: float,
                 start: float) -> float:
    """Least reduced cost of any trip above the affine values; what costs more than ``limit`` is not followed.

    slope (K + 1,), intercept (K + 1, S + 1), stage (K, N) : of the affine certificate      start : energy from the target [J]
    """
    K, S = points.count.shape[0], links.node.size - 1
    edge, size = cells.edge, cells.edge.size - 1
    width = (edge[size] - edge[0]) / size
    excess, driven = np.full((S, size), HUGE), np.full(size, HUGE)
    runs = np.empty((S, LONGEST, size + 2 * PAD))
    own = np.empty((LONGEST, size + 2 * PAD))
    least, least_own = np.empty((S, cells.out_least.size)), np.empty(cells.out_least.size)
    alive, followed = np.ones(S, np.bool_), np.empty(S, np.bool_)       # states with an excess: before the interval, and in it
    for i in range(size):
        if edge[i + 1] >= 0.0:
            excess[:, i] = slope[K] * max(edge[i], 0.0)
    best = HUGE
    for k in range(K - 1, -1, -1):
        for c in range(S):
            n = links.node[c]
            followed[c] = alive[c] and points.count[k, n] > 0
            if followed[c]:
                _spread(excess[c], own, least_own)
                _drive_cells(points, cells, k, n, slope, stage[k, n], limit, own, least_own, driven)
                _spread(driven, runs[c], least[c])
            if alive[c]:
                excess[c] = HUGE
                alive[c] = False
        for q in range(links.first[k], links.first[k + 1]):
            a, c, stored = links.before[q], links.after[q], links.stored[q]
            reduced = links.fixed[q] + slope[k] * stored + stage[k, links.node[c]] + intercept[k + 1, c] - intercept[k, a]
            if reduced > limit or not followed[c]:
                continue
            moved = stored / width
            if a == S:
                place = (start - edge[0]) / width - moved
                if place < -NEAR or place > size + NEAR:
                    continue
                for i in range(max(min(math.floor(place - NEAR), size - 1), 0), max(min(math.floor(place + NEAR), size - 1), 0) + 1):
                    best = min(best, reduced + runs[c, 0, i + PAD])
            else:
                first, last = _steps(moved, moved)
                for block in range(least_own.size):
                    begin, end = block * BLOCK, min((block + 1) * BLOCK, size)
                    if reduced + _least_among(least[c], begin + first, end - 1 + last) <= limit:
                        alive[a] = True
                        _lower(excess[a], begin, end, runs[c], first, last, reduced, 0.0, edge)
    return best
