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
    """C equal cells: edge (C + 1,) energies from the target [J]; least and most R / V^2 in each block of cells, out of and into the
    battery, (blocks,) each [1/W]; the most terminal power that any energy of a block gives and takes, (blocks,) each [W].

    begin, end : (2, K + 1) blocks, the first that a trip can be in and the one after the last: before an interval's change, and after it
    """

    edge: Any
    out_least: Any
    out_most: Any
    in_least: Any
    in_most: Any
    gives: Any
    takes: Any
    begin: Any
    end: Any


@compiled
def _spread(values: Any, begin: int, end: int, runs: Any, least: Any) -> None:
    """runs (LONGEST, C + 2 PAD) out: least of 1, 2, .. values (C,) of blocks begin .. end - 1 from each cell on, and HUGE for PAD cells
    beside them. least (blocks,) out."""
    low, high = begin * BLOCK, min(end * BLOCK, values.size)
    for block in range(begin, end):
        lowest = HUGE
        for i in range(block * BLOCK, min((block + 1) * BLOCK, high)):
            lowest = lesser(lowest, values[i])
        least[block] = lowest
    for n in range(LONGEST):
        for i in range(PAD):
            runs[n, low + i] = runs[n, high + PAD + i] = HUGE
    for i in range(low, high):
        runs[0, i + PAD] = values[i]
    for n in range(1, LONGEST):
        for block in range(begin - 1, end):
            first, last = max(block * BLOCK, low - PAD) + PAD, min((block + 1) * BLOCK, high) + PAD
            if min(least[max(block, begin)], least[min(block + 1, end - 1)]) >= HUGE:
                for i in range(first, last):
                    runs[n, i] = HUGE
            else:
                for i in range(first, last):
                    runs[n, i] = lesser(runs[n - 1, i], runs[0, i + n])


@compiled_inline
def _lower(out: Any, begin: int, end: int, runs: Any, low: int, high: int, first: int, last: int, add: float, tilt: float,
           edge: Any) -> None:
    """out (C,) lowered for cells begin .. end - 1 of a step that ends in cells first .. last further on, at a cost of add + tilt * edge.

    low, high : ``runs`` hold cells low .. high - 1
    """
    shift = 0 if tilt >= 0.0 else 1
    for part in range(first, last + 1, LONGEST):            # one part in all usual cases
        length = min(last - part + 1, LONGEST)
        run = runs[length - 1]
        for i in range(max(begin, low - PAD - part), min(end, high + PAD - part)):
            out[i] = lesser(out[i], add + tilt * edge[i + shift] + run[i + part + PAD])


@compiled_inline
def _least_among(least: Any, begin: int, end: int, first: int, last: int) -> float:
    """Least value in those of blocks begin .. end - 1 that hold cells first .. last; HUGE outside."""
    lowest = HUGE
    for block in range(max(first // BLOCK, begin), min(last // BLOCK, end - 1) + 1):
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
    """out (C,): least reduced cost of interval k in node n plus the excess after it (``runs``, ``least``), from any energy of each cell
    that a trip can be in; what costs more than the limit is left out."""
    edge, size, dt = cells.edge, out.size, points.dt[k]
    width = (edge[size] - edge[0]) / size
    tilt, price = slope[k] - slope[k + 1], slope[k + 1] * dt
    after, beyond = cells.begin[0, k + 1], cells.end[0, k + 1]
    low, high = after * BLOCK, min(beyond * BLOCK, size)
    out[cells.begin[1, k] * BLOCK: cells.end[1, k] * BLOCK] = HUGE
    for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
        P, fuel = points.power[j], points.fuel[j] * points.burn[k] - stage
        for block in range(cells.begin[1, k], cells.end[1, k]):
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
            if add + min(tilt * edge[begin], tilt * edge[end]) + _least_among(least, after, beyond, begin + first, end - 1 + last) > limit:
                continue
            _lower(out, begin, end, runs, low, high, first, last, add, tilt, edge)


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
                _spread(excess[c], cells.begin[0, k + 1], cells.end[0, k + 1], own, least_own)
                _drive_cells(points, cells, k, n, slope, stage[k, n], limit, own, least_own, driven)
                _spread(driven, cells.begin[1, k], cells.end[1, k], runs[c], least[c])
            alive[c] = False
        low, high = cells.begin[1, k] * BLOCK, min(cells.end[1, k] * BLOCK, size)
        for q in range(links.first[k], links.first[k + 1]):
            a, c, stored = links.before[q], links.after[q], links.stored[q]
            reduced = links.fixed[q] + slope[k] * stored + stage[k, links.node[c]] + intercept[k + 1, c] - intercept[k, a]
            if reduced > limit or not followed[c]:
                continue
            moved = stored / width
            if a == S:
                place = (start - edge[0]) / width - moved
                for i in range(max(math.floor(place - NEAR), low), min(math.floor(place + NEAR), high - 1) + 1):
                    best = min(best, reduced + runs[c, 0, i + PAD])
            else:
                first, last = _steps(moved, moved)
                for block in range(cells.begin[0, k], cells.end[0, k]):
                    begin, end = block * BLOCK, min((block + 1) * BLOCK, size)
                    if reduced + _least_among(least[c], cells.begin[1, k], cells.end[1, k], begin + first, end - 1 + last) <= limit:
                        if not alive[a]:
                            excess[a, cells.begin[0, k] * BLOCK: cells.end[0, k] * BLOCK] = HUGE
                            alive[a] = True
                        _lower(excess[a], begin, end, runs[c], low, high, first, last, reduced, 0.0, edge)
    return best
