"""Dynamic programming over configuration and stored energy, on a grid of battery nodes that may follow a trip (a corridor).

Changing node happens at the start of an interval, before it is driven. The backward pass takes the battery's square root at three
nodes of an interval and a parabola between them; the forward pass takes it exactly. Values are of single or double precision, as their
array is: in single precision twice as many fit a register, and counted anew at every interval they lose nothing that matters.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from ems.kernels.battery import BatteryArrays, electrochemical, power_limits, state
from ems.kernels.changes import HUGE, Links
from ems.kernels.jit import compiled, compiled_inline, compiled_making
from ems.kernels.lookup import lesser
from ems.kernels.sweep import Points, internal_power

NEAR_LIMIT = 0.95       # share of the battery's limits beyond which every node's own limit is asked
WINDOW_SLACK = 1e-3     # of the upper end of the window [J]
MOST = 1e6              # no value of a trip that is possible is more [g]


class Edge(NamedTuple):
    """The battery at the first, middle and last node of an interval: x_out, x_in : (3,) R / V^2 [1/W]; least, most : (1,) the narrowest
    limits of terminal power [W]."""

    x_out: Any
    x_in: Any
    least: Any
    most: Any


class Corridor(NamedTuple):
    """Nodes of stored energy, I of them: low : (K + 1,) lowest node [J, absolute], step : (K + 1,) spacing [J]; how many; window; target.

    below, above : slope [g/J] by which the value goes on below the lowest and above the highest node, inside the window
    penalty : slope below the window or the target
    """

    low: Any
    step: Any
    size: int
    window_low: float
    window_high: float
    target: float
    below: float
    above: float
    penalty: float


@compiled_inline
def value_at(value: Any, corridor: Corridor, k: int, place: float) -> float:
    """Value (I,) of one node at a place counted in battery nodes of interval k: linear between them, slopes outside, steep outside
    the window."""
    last = corridor.size - 1
    if place <= 0.0:
        short = -place * corridor.step[k]
        return value[0] + corridor.below * short + max(corridor.window_low - corridor.low[k] + short, 0.0) * corridor.penalty
    if place >= last:
        over = (place - last) * corridor.step[k]
        if corridor.low[k] + last * corridor.step[k] + over > corridor.window_high + WINDOW_SLACK:
            return HUGE
        return value[last] - corridor.above * over
    i = int(place)
    return value[i] + (place - i) * (value[i + 1] - value[i])


@compiled_inline
def _cells_on(start: float, slope: float, curve: float, i: int) -> int:
    """How many nodes further on the cell lies in which node i ends."""
    return math.floor(start + i * (slope + i * curve)) - i


@compiled
def _backup(points: Points, b: BatteryArrays, corridor: Corridor, k: int, c: int, edge: Edge, next_value: Any, stage: Any) -> None:
    """stage (I,) out: least fuel plus next value (I,) of node c at every battery node of interval k, before the change is paid.

    Neighbouring nodes end in neighbouring cells but for a few breaks: between those, the next value is read in runs.
    """
    size, dt = corridor.size, points.dt[k]
    half = 0.5 * (size - 1)
    inverse = 1.0 / corridor.step[k + 1]
    stage[:] = HUGE
    for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
        P, fuel = points.power[j], points.fuel[j] * points.burn[k]
        x = edge.x_out if P > 0.0 else edge.x_in
        p0 = 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x[0], 0.0)))
        p1 = 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x[1], 0.0)))
        p2 = 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x[2], 0.0)))
        bend = (p2 - 2.0 * p1 + p0) / (2.0 * half * half)
        start = (corridor.low[k] - corridor.low[k + 1] - p0 * dt) * inverse     # the place of node i afterwards is
        slope = (corridor.step[k] - ((p1 - p0) / half - bend * half) * dt) * inverse    # start + i (slope + i curve)
        curve = -bend * dt * inverse
        if start >= size - 1 or start + (size - 1) * (slope + (size - 1) * curve) <= 0.0:
            continue                                # leaves the corridor from every node
        if P > NEAR_LIMIT * edge.most[0] or P < NEAR_LIMIT * edge.least[0]:
            for i in range(size):
                soc, v, rd, rc = state(b, corridor.low[k] + i * corridor.step[k])
                least, most = power_limits(b, soc, v, rd, rc)
                if least <= P <= most:
                    stage[i] = min(stage[i], fuel + value_at(next_value, corridor, k + 1, start + i * (slope + i * curve)))
            continue
        first, last = 0, size
        while first < size and start + first * (slope + first * curve) < 0.0:
            stage[first] = min(stage[first], fuel + value_at(next_value, corridor, k + 1, start + first * (slope + first * curve)))
            first += 1
        while last > first and start + (last - 1) * (slope + (last - 1) * curve) >= size - 1:
            last -= 1
            stage[last] = min(stage[last], fuel + value_at(next_value, corridor, k + 1, start + last * (slope + last * curve)))
        while first < last:
            on, end = _cells_on(start, slope, curve, first), last
            while end - first > 1 and _cells_on(start, slope, curve, end - 1) != on:
                end = first + (end - first + 1) // 2
            left, right, here = next_value[first + on:end + on], next_value[first + on + 1:end + on + 1], stage[first:end]
            share, tilt = start + first * (slope + first * curve) - first - on, slope - 1.0 + 2.0 * first * curve
            real = stage.dtype.type
            cost, share, tilt, turn = real(fuel), real(share), real(tilt), real(curve)
            for i in range(np.int32(end - first)):
                at = real(i)
                later = left[i] + (share + at * (tilt + at * turn)) * (right[i] - left[i])
                later = -lesser(-later, -lesser(left[i], right[i]))         # no better than the better of both, where HUGE cancels
                here[i] = lesser(here[i], cost + later)
            first = end


@compiled
def _change(corridor: Corridor, k: int, fixed: float, stored: float, stage: Any, value: Any) -> None:
    """value (I,) lowered to the change's cost plus stage (I,) at the energy that the change leaves: one shift for all nodes."""
    size = corridor.size
    shift = -stored / corridor.step[k]
    whole = math.floor(shift)
    share = shift - whole
    first, last = min(max(-whole, 0), size), max(min(size - 1 - whole, size), 0)     # nodes whose two neighbours are inside
    if first >= last:
        return                                      # leaves the corridor from every node
    for i in range(first):
        short = min(i + shift, 0.0) * corridor.step[k] * corridor.below
        value[i] = min(value[i], fixed + stage[0] - short)
    left, right, here = stage[first + whole:last + whole], stage[first + whole + 1:last + whole + 1], value[first:last]
    real = stage.dtype.type
    cost, near, far = real(fixed), real(1.0 - share), real(share)
    for i in range(last - first):
        here[i] = lesser(here[i], cost + near * left[i] + far * right[i])
    for i in range(last, size):
        value[i] = min(value[i], fixed + stage[size - 1])


@compiled
def _from_middle(row: Any, value: Any) -> float:
    """The least at the middle node of some rows of values, which are counted from it afterwards; row : (S + 1,), -1 where there is none.

    Where no trip is possible there, the least anywhere. A value that is interpolated with an impossible one says nothing: counted from
    such a one, all others would be lost in single precision.
    """
    least, middle = MOST, value.shape[1] // 2
    for a in range(row.size):
        if row[a] >= 0:
            least = min(least, float(value[row[a], middle]))
    if least >= MOST:
        for a in range(row.size):
            for i in range(value.shape[1] if row[a] >= 0 else 0):
                least = min(least, float(value[row[a], i]))
    if least >= MOST:
        return 0.0
    shift = value.dtype.type(least)
    for a in range(row.size):
        if row[a] >= 0:
            here = value[row[a]]
            for i in range(here.size):
                here[i] -= shift
    return float(shift)


@compiled_making
def dynamic_programming(points: Points, b: BatteryArrays, links: Links, corridor: Corridor, row: Any, value: Any, base: Any) -> None:
    """Backward sweep over states (see ``Links``) and stored energy.

    row : (K + 1, S + 1) where the values of a state before the change at k stand, -1 where a trip is never in it (S: from rest)
    value : (R, I) out, counted from base      base : (K + 1,) out, the least at the middle node; (0,) where values count from zero
    """
    K, N, size = points.dt.size, links.node.size - 1, corridor.size
    edge = Edge(np.empty(3), np.empty(3), np.empty(1), np.empty(1))
    stage = np.empty((N, size), value.dtype)
    for a in range(N):
        if row[K, a] >= 0:
            for i in range(size):
                value[row[K, a], i] = corridor.penalty * max(corridor.target - corridor.low[K] - i * corridor.step[K], 0.0)
    if base.size > 0:
        base[K] = 0.0
    for k in range(K - 1, -1, -1):
        edge.least[0], edge.most[0] = -math.inf, math.inf
        for i in range(3):
            soc, v, rd, rc = state(b, corridor.low[k] + 0.5 * i * (size - 1) * corridor.step[k])
            edge.x_out[i], edge.x_in[i] = rd / (v * v), rc / (v * v)
            least, most = power_limits(b, soc, v, rd, rc)
            edge.least[0], edge.most[0] = max(edge.least[0], least), min(edge.most[0], most)
        for c in range(N):
            if row[k + 1, c] >= 0:
                _backup(points, b, corridor, k, links.node[c], edge, value[row[k + 1, c]], stage[c])
        for a in range(N + 1):
            if row[k, a] >= 0:
                value[row[k, a]] = HUGE
        for q in range(links.first[k], links.first[k + 1]):
            a, c = links.before[q], links.after[q]
            if row[k, a] >= 0 and row[k + 1, c] >= 0:
                _change(corridor, k, links.fixed[q], links.stored[q], stage[c], value[row[k, a]])
        if base.size > 0:
            base[k] = base[k + 1] + _from_middle(row[k], value)


@compiled
def drive(points: Points, b: BatteryArrays, links: Links, corridor: Corridor, row: Any, reach: Any, value: Any,
          start: float, state_of: Any, point: Any, energy: Any) -> int:
    """Forward pass with continuous energy: each second the choice of least cost plus value, window and target kept.

    row, value : of ``dynamic_programming``      reach : (K + 1, S + 1) of ``reachable``
    state_of, point : (K,) out; energy : (K + 1,) out. Returns -1, or the interval at which nothing is possible any more.
    """
    K, a, e = points.dt.size, links.node.size - 1, start
    for k in range(K):
        energy[k] = e
        best, node_best, point_best, e_best = HUGE, -1, -1, 0.0
        for strict in range(2):
            for q in range(links.first[k], links.first[k + 1]):
                c = links.after[q]
                n = links.node[c]
                if links.before[q] != a or row[k + 1, c] < 0:
                    continue
                e_start = e - links.stored[q]
                if e_start < corridor.window_low - 1e-6 or e_start > corridor.window_high + 1e-6:
                    continue
                soc, v, rd, rc = state(b, e_start)
                least, most = power_limits(b, soc, v, rd, rc)
                out_x, in_x = rd / (v * v), rc / (v * v)
                for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                    P = points.power[j]
                    if most < P or least > P:
                        continue
                    e_next = e_start - electrochemical(P, out_x if P > 0.0 else in_x) * points.dt[k]
                    if e_next < corridor.window_low or e_next > corridor.window_high:
                        continue
                    if strict == 0 and e_next < reach[k + 1, c]:
                        continue
                    place = (e_next - corridor.low[k + 1]) / corridor.step[k + 1]
                    later = value_at(value[row[k + 1, c]], corridor, k + 1, place)
                    total = links.fixed[q] + points.fuel[j] * points.burn[k] + later
                    if total < best:
                        best, node_best, point_best, e_best = total, c, j, e_next
            if node_best >= 0:
                break
        if node_best < 0:
            return k
        state_of[k], point[k] = node_best, point_best
        a, e = node_best, e_best
    energy[K] = e
    return -1


@compiled_making
def reachable(points: Points, b: BatteryArrays, links: Links, window_low: float, target: float, reach: Any) -> None:
    """reach : (K + 1, S + 1) out, least stored energy in each state, before the change, from which the target can still be met.

    The way of most charging, changes paid; inf where no way leads on.
    """
    K, N = points.dt.size, links.node.size - 1
    reach[:] = math.inf
    reach[K, :] = target
    driven = np.empty(N)
    for k in range(K - 1, -1, -1):
        for c in range(N):
            least, n = math.inf, links.node[c]
            for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                least = min(least, points.power[j])
            driven[c] = math.inf
            if least < math.inf and reach[k + 1, c] < math.inf:
                e = reach[k + 1, c]
                for _ in range(4):                  # the step depends on the energy it starts from: a few fixed-point rounds
                    e = reach[k + 1, c] + internal_power(b, max(e, window_low), least) * points.dt[k]
                driven[c] = max(e, window_low)
        for q in range(links.first[k], links.first[k + 1]):
            a = links.before[q]
            reach[k, a] = min(reach[k, a], max(driven[links.after[q]] + links.stored[q], window_low))
