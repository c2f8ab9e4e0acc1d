"""Sweeps over a trip: one transition minimum, with the next value held as a slope (costate), as a slope with a bound over the
whole window (certificate), or on a grid of stored energy (dynamic programming).

Value of being in node n with stored energy e at the start of interval k: the least cost [g] of the rest of the trip. Energies
are counted from the energy that the trip must end with. Changing node happens at the start of an interval, before it is driven.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numba
import numpy as np

from ems.kernels.battery import BatteryArrays, electrochemical, power_limits, state
from ems.kernels.jit import compiled, compiled_parallel

HUGE = 1e12     # cost of the impossible [g]; finite, so that differences stay numbers


class Points(NamedTuple):
    """Frontier points by interval and node: first, count : (K, N); fuel [g], power [W] : (Q,); dt : (K,) [s]."""

    first: Any
    count: Any
    fuel: Any
    power: Any
    dt: Any


class Changes(NamedTuple):
    """Transition costs: fixed : (N + 1, N) fuel and price [g], stored : (K, N + 1, N) energy from the store [J]; row N from rest."""

    fixed: Any
    stored: Any


class Window(NamedTuple):
    """Usable window in cells for the certificate, C cells.

    edge : (C + 1,) energies from the target [J]; x_out, x_in : (C + 1,) R / V^2 there, discharging and charging [1/W]
    bend_first, bend_second : largest |dx/de| and |d2x/de2| times cell width, and squared width over 8 (see ``_bend``)
    """

    edge: Any
    x_out: Any
    x_in: Any
    bend_first: float
    bend_second: float


@compiled
def internal_power(b: BatteryArrays, e: float, P: float) -> float:
    """Electrochemical power at stored energy e (absolute) for terminal power P."""
    _, v, rd, rc = state(b, e)
    return electrochemical(P, (rd if P > 0.0 else rc) / (v * v))


@compiled_parallel
def stage_at(points: Points, b: BatteryArrays, slope: Any, reference: Any, out_cost: Any, out_pick: Any) -> None:
    """Least fuel + slope * energy of every interval and node, the battery taken at a reference energy.

    slope : (K + 1,) costate at the ends of the intervals [g/J]     reference : (K,) absolute stored energy [J]
    out_cost : (K, N) [g], HUGE where not possible                   out_pick : (K, N) point, -1 where not possible
    """
    for k in numba.prange(points.dt.size):
        _, v, rd, rc = state(b, reference[k])
        out_x, in_x = rd / (v * v), rc / (v * v)
        for n in range(points.first.shape[1]):
            best, pick = HUGE, -1
            for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                P = points.power[j]
                cost = (points.fuel[j] + slope[k + 1] * electrochemical(P, out_x if P > 0.0 else in_x)) * points.dt[k]
                if cost < best:
                    best, pick = cost, j
            out_cost[k, n], out_pick[k, n] = best, pick


@compiled
def _least_over_window(w: Window, tilt: float, slope: float, P: float) -> tuple[float, float]:
    """Lower bound of tilt * e + slope * p(P, e) over the window, and the edge that gives it.

    Between edges p(P, x(e)) bends by at most p_xx x'^2 + p_x x'': that much times width^2 / 8 is taken off (p = P C(P x) with C
    the generating function of the Catalan numbers, C' = 4 / (s (1 + s)^2), C'' = 8 (1 + 3 s) / (s (1 + s))^3, s^2 = 1 - 4 P x).
    """
    best, where = math.inf, 0.0
    x_far = 0.0
    x_near = math.inf
    for q in range(w.edge.size):
        x = w.x_out[q] if P > 0.0 else w.x_in[q]
        x_far, x_near = max(x_far, x), min(x_near, x)
        value = tilt * w.edge[q] + slope * electrochemical(P, x)
        if value < best:
            best, where = value, w.edge[q]
    root = 1.0 - 4.0 * P * (x_far if P > 0.0 else x_near)
    if root <= 1e-4:                                # near the most the battery can give: bound by the least resistance alone
        p = electrochemical(P, x_near)
        return min(tilt * w.edge[0], tilt * w.edge[w.edge.size - 1]) + slope * p, where
    s = math.sqrt(root)
    first = 4.0 / (s * (1.0 + s) ** 2)
    second = 8.0 * (1.0 + 3.0 * s) / (s * (1.0 + s)) ** 3
    bend = P * P * first * w.bend_second + abs(P) ** 3 * second * w.bend_first
    return best - abs(slope) * bend, where


@compiled_parallel
def stage_over_window(points: Points, w: Window, slope: Any, out_cost: Any, out_pick: Any, out_where: Any) -> None:
    """Lower bound of the stage cost over every energy of the window, for values with the given slopes.

    slope : (K + 1,) [g/J]; the value is a_k(n) - slope_k e       out_where : (K, N) energy that gives the bound
    """
    for k in numba.prange(points.dt.size):
        tilt = slope[k] - slope[k + 1]
        for n in range(points.first.shape[1]):
            best, pick, where = HUGE, -1, 0.0
            for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                bound, edge = _least_over_window(w, tilt, slope[k + 1] * points.dt[k], points.power[j])
                cost = points.fuel[j] * points.dt[k] + bound
                if cost < best:
                    best, pick, where = cost, j, edge
            out_cost[k, n], out_pick[k, n], out_where[k, n] = best, pick, where


@compiled
def chain(cost: Any, changes: Changes, slope: Any, value: Any, follow: Any) -> None:
    """Exact dynamic programming over nodes alone, backward.

    cost : (K, N) stage costs      value : (K + 1, N + 1) out, row k before the change at k, column N from rest
    follow : (K, N + 1) out, best node to change to
    """
    K, N = cost.shape
    value[K, :] = 0.0
    for k in range(K - 1, -1, -1):
        for a in range(N + 1):
            if (a == N and k > 0) or (a < N and (k == 0 or cost[k - 1, a] >= HUGE)):
                value[k, a], follow[k, a] = HUGE, -1
                continue
            best, node = HUGE, -1
            for c in range(N):
                if cost[k, c] >= HUGE:
                    continue
                total = cost[k, c] + value[k + 1, c] + changes.fixed[a, c] + slope[k] * changes.stored[k, a, c]
                if total < best:
                    best, node = total, c
            value[k, a], follow[k, a] = best, node


@compiled
def arrive(cost: Any, changes: Changes, slope: Any, value: Any, through: Any) -> None:
    """Least cost of the whole trip through each interval and node, from the backward values.

    value : (K + 1, N + 1) of ``chain``      through : (K, N) out [g]
    """
    K, N = cost.shape
    before = np.full(N, HUGE)
    after = np.full(N, HUGE)
    for k in range(K):
        for c in range(N):
            best = HUGE
            if cost[k, c] < HUGE:
                if k == 0:
                    best = changes.fixed[N, c] + slope[0] * changes.stored[0, N, c]
                else:
                    for a in range(N):
                        best = min(best, before[a] + changes.fixed[a, c] + slope[k] * changes.stored[k, a, c])
            after[c] = min(best + cost[k, c], HUGE)
            through[k, c] = min(after[c] + value[k + 1, c], HUGE)
        before[:] = after


@compiled
def follow_chain(points: Points, b: BatteryArrays, changes: Changes, pick: Any, follow: Any, start: float, node: Any,
                 point: Any, energy: Any) -> None:
    """Drives the schedule of ``chain`` with the true battery, window ignored (the table of the battery holds the energy).

    start : absolute stored energy [J]     node, point : (K,) out     energy : (K + 1,) out, absolute
    """
    K, a = node.size, follow.shape[1] - 1
    e = start
    low, high = b.energy_J[0], b.energy_J[b.energy_J.size - 1]
    for k in range(K):
        energy[k] = e
        c = follow[k, a]
        node[k], point[k] = c, pick[k, c]
        e -= changes.stored[k, a, c]
        e -= internal_power(b, min(max(e, low), high), points.power[point[k]]) * points.dt[k]
        a = c
    energy[K] = e


class Corridor(NamedTuple):
    """Nodes of stored energy: low : (K + 1,) lowest node [J, absolute], step : (K + 1,) spacing [J]; how many; window; target.

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


@compiled
def value_at(value: Any, corridor: Corridor, k: int, n: int, e: float) -> float:
    """Value of node n at stored energy e: linear between nodes, slopes outside the corridor, steep outside the window."""
    size = corridor.size
    place = (e - corridor.low[k]) / corridor.step[k]
    if place <= 0.0:
        short = corridor.low[k] - e
        slope = corridor.below
        extra = max(corridor.window_low - e, 0.0) * corridor.penalty
        return value[k, n, 0] + slope * short + extra
    if place >= size - 1:
        over = e - (corridor.low[k] + (size - 1) * corridor.step[k])
        if e > corridor.window_high + 1e-3:
            return HUGE
        return value[k, n, size - 1] - corridor.above * over
    i = int(place)
    weight = place - i
    return value[k, n, i] + weight * (value[k, n, i + 1] - value[k, n, i])


@compiled
def _backup(points: Points, corridor: Corridor, k: int, c: int, x_out: Any, x_in: Any, least: Any, most: Any, next_value: Any,
            stage: Any) -> None:
    """stage (I,) out: least fuel plus next value (I,) of node c at every battery node of interval k, before the change is paid."""
    size, dt = corridor.size, points.dt[k]
    low, step = corridor.low[k], corridor.step[k]
    next_low, inverse = corridor.low[k + 1], 1.0 / corridor.step[k + 1]
    stage[:] = HUGE
    for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
        P, fuel = points.power[j], points.fuel[j] * dt
        x = x_out if P > 0.0 else x_in
        for i in range(size):
            e = low + i * step - 2.0 * P * dt / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x[i], 0.0)))
            place = (e - next_low) * inverse
            inner = min(max(place, 0.0), size - 1.000001)
            q = int(inner)
            total = fuel + next_value[q] + (inner - q) * (next_value[q + 1] - next_value[q])
            beyond = (place - inner) * corridor.step[k + 1]
            if beyond != 0.0:
                total -= beyond * (corridor.below if beyond < 0.0 else corridor.above)
                total += max(corridor.window_low - e, 0.0) * corridor.penalty
            if P > most[i] or P < least[i] or e > corridor.window_high + 1e-3:
                total = HUGE
            stage[i] = min(stage[i], total)


@compiled
def _change(corridor: Corridor, k: int, fixed: float, stored: float, stage: Any, value: Any) -> None:
    """value (I,) lowered to the change's cost plus stage (I,) at the energy that the change leaves: one shift for all nodes."""
    size = corridor.size
    shift = -stored / corridor.step[k]
    whole = math.floor(shift)
    share = shift - whole
    first, last = min(max(-whole, 0), size), max(min(size - 1 - whole, size), 0)     # nodes whose two neighbours are inside
    for i in range(first):
        short = min(i + shift, 0.0) * corridor.step[k] * corridor.below
        value[i] = min(value[i], fixed + stage[0] - short)
    for i in range(first, last):
        total = fixed + stage[i + whole] + share * (stage[i + whole + 1] - stage[i + whole])
        value[i] = min(value[i], total)
    for i in range(max(first, last), size):
        value[i] = min(value[i], fixed + stage[size - 1])


@compiled
def dynamic_programming(points: Points, b: BatteryArrays, changes: Changes, corridor: Corridor, alive: Any, value: Any) -> None:
    """Backward sweep over nodes of configuration and stored energy.

    alive : (K, N) whether a node is worth a look at (points.count tells whether it is possible)
    value : (K + 1, N + 1, I) out, before the change at the start of interval k; column N from rest (k = 0 only)
    """
    K, N, size = points.dt.size, points.first.shape[1], corridor.size
    x_out, x_in, least, most = np.empty(size), np.empty(size), np.empty(size), np.empty(size)
    stage = np.empty((N, size))
    for i in range(size):
        value[K, :, i] = corridor.penalty * max(corridor.target - corridor.low[K] - i * corridor.step[K], 0.0)
    for k in range(K - 1, -1, -1):
        for i in range(size):
            _, v, rd, rc = state(b, corridor.low[k] + i * corridor.step[k])
            x_out[i], x_in[i] = rd / (v * v), rc / (v * v)
            least[i], most[i] = power_limits(b, v, rd, rc)
        for c in range(N):
            if alive[k, c]:
                _backup(points, corridor, k, c, x_out, x_in, least, most, value[k + 1, c], stage[c])
        value[k] = HUGE
        for a in range(N + 1):
            if (a == N and k == 0) or (a < N and k > 0 and alive[k - 1, a]):
                for c in range(N):
                    if alive[k, c]:
                        _change(corridor, k, changes.fixed[a, c], changes.stored[k, a, c], stage[c], value[k, a])


@compiled
def drive(points: Points, b: BatteryArrays, changes: Changes, corridor: Corridor, alive: Any, reach: Any, value: Any,
          start: float, node: Any, point: Any, energy: Any) -> int:
    """Forward pass with continuous energy: each second the choice of least cost plus value, window and target kept.

    reach : (K + 1, N + 1) of ``reachable``
    node, point : (K,) out; energy : (K + 1,) out. Returns -1, or the interval at which nothing is possible any more.
    """
    K, N = points.dt.size, points.first.shape[1]
    a, e = N, start
    for k in range(K):
        energy[k] = e
        best, node_best, point_best, e_best = HUGE, -1, -1, 0.0
        for strict in range(2):
            for c in range(N):
                if not alive[k, c]:
                    continue
                e_start = e - changes.stored[k, a, c]
                if e_start < corridor.window_low - 1e-6 or e_start > corridor.window_high + 1e-6:
                    continue
                _, v, rd, rc = state(b, e_start)
                least, most = power_limits(b, v, rd, rc)
                out_x, in_x = rd / (v * v), rc / (v * v)
                for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
                    P = points.power[j]
                    if most < P or least > P:
                        continue
                    e_next = e_start - electrochemical(P, out_x if P > 0.0 else in_x) * points.dt[k]
                    if e_next < corridor.window_low or e_next > corridor.window_high:
                        continue
                    if strict == 0 and e_next < reach[k + 1, c]:
                        continue
                    total = changes.fixed[a, c] + points.fuel[j] * points.dt[k] + value_at(value, corridor, k + 1, c, e_next)
                    if total < best:
                        best, node_best, point_best, e_best = total, c, j, e_next
            if node_best >= 0:
                break
        if node_best < 0:
            return k
        node[k], point[k] = node_best, point_best
        a, e = node_best, e_best
    energy[K] = e
    return -1


@compiled
def reachable(points: Points, b: BatteryArrays, changes: Changes, window_low: float, target: float, reach: Any) -> None:
    """reach : (K + 1, N + 1) out, least stored energy in each node, before the change, from which the target can still be met.

    The way of most charging, changes paid; inf where no way leads on.
    """
    K, N = points.dt.size, points.first.shape[1]
    reach[K, :] = target
    driven = np.empty(N)
    for k in range(K - 1, -1, -1):
        for c in range(N):
            least = math.inf
            for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
                least = min(least, points.power[j])
            driven[c] = math.inf
            if least < math.inf and reach[k + 1, c] < math.inf:
                e = reach[k + 1, c]
                for _ in range(4):                  # the step depends on the energy it starts from: a few fixed-point rounds
                    e = reach[k + 1, c] + internal_power(b, max(e, window_low), least) * points.dt[k]
                driven[c] = max(e, window_low)
        for a in range(N + 1):
            best = math.inf
            for c in range(N):
                best = min(best, max(driven[c] + changes.stored[k, a, c], window_low))
            reach[k, a] = best


@compiled
def worth_points(points: Points, w: Window, slope: Any, stage: Any, through: Any, limit: float, first: Any, count: Any,
                 kept: Any) -> int:
    """Points through which a trip can cost at most ``limit``: a copy of the lists without the others.

    stage, through : (K, N) of the certificate      first, count : (K, N) out      kept : (Q',) out, indices of points
    Returns how many were kept.
    """
    size = 0
    for k in range(points.dt.size):
        tilt = slope[k] - slope[k + 1]
        for n in range(points.first.shape[1]):
            first[k, n], count[k, n] = size, 0
            if through[k, n] > limit:
                continue
            for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                bound, _ = _least_over_window(w, tilt, slope[k + 1] * points.dt[k], points.power[j])
                if through[k, n] + points.fuel[j] * points.dt[k] + bound - stage[k, n] <= limit:
                    kept[size] = j
                    size += 1
                    count[k, n] += 1
    return size
