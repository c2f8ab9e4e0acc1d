"""Sweeps over a trip with the next value held as a slope (costate), or as a slope with a bound over the whole window (certificate).

Value of being in node n with stored energy e at the start of interval k: the least cost [g] of the rest of the trip. Energies
are counted from the energy that the trip must end with. Changing node happens at the start of an interval, before it is driven.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from ems.kernels.battery import BatteryArrays, electrochemical, state
from ems.kernels.changes import HUGE, Links
from ems.kernels.jit import compiled, compiled_inline, compiled_making, compiled_shared


class Points(NamedTuple):
    """Frontier points by interval and node: first, count : (K, N); fuel [g/s], power [W] : (Q,).

    dt : (K,) [s]      burn : (K,) dt times the fuel of the engine over that of a warm one [s]
    """

    first: Any
    count: Any
    fuel: Any
    power: Any
    dt: Any
    burn: Any


class Window(NamedTuple):
    """Usable window in cells for the certificate, C cells.

    edge : (C + 1,) energies from the target [J]; x_out, x_in : (C + 1,) R / V^2 there, discharging and charging [1/W]
    bend_first, bend_second : largest |dx/de| and |d2x/de2| times cell width, and squared width over 8 (see ``_least_over_window``)
    out_least, in_least : no R / V^2 in the window is less, discharging and charging
    """

    edge: Any
    x_out: Any
    x_in: Any
    bend_first: float
    bend_second: float
    out_least: float
    in_least: float


@compiled
def internal_power(b: BatteryArrays, e: float, P: float) -> float:
    """Electrochemical power at stored energy e (absolute) for terminal power P."""
    _, v, rd, rc = state(b, e)
    return electrochemical(P, (rd if P > 0.0 else rc) / (v * v))


@compiled
def internal_powers(b: BatteryArrays, energy: Any, power: Any, out: Any) -> None:
    """out (K,): ``internal_power`` of every interval, energy and power (K,)."""
    for k in range(out.size):
        out[k] = internal_power(b, energy[k], power[k])


@compiled_shared
def stage_at(begin: int, end: int, points: Points, b: BatteryArrays, slope: Any, reference: Any, out_cost: Any, out_pick: Any) -> None:
    """Least fuel + slope * energy of every interval and node, the battery taken at a reference energy.

    slope : (K + 1,) costate at the ends of the intervals [g/J]     reference : (K,) absolute stored energy [J]
    out_cost : (K, N) [g], HUGE where not possible                   out_pick : (K, N) point, -1 where not possible
    """
    for k in range(begin, end):
        _, v, rd, rc = state(b, reference[k])
        out_x, in_x = rd / (v * v), rc / (v * v)
        for n in range(points.first.shape[1]):
            best, pick = HUGE, -1
            for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                P = points.power[j]
                cost = points.fuel[j] * points.burn[k] + slope[k + 1] * electrochemical(P, out_x if P > 0.0 else in_x) * points.dt[k]
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


@compiled_inline
def _floor_over_window(w: Window, tilt: float, slope: float, P: float) -> float:
    """A quicker, weaker bound than ``_least_over_window``: each term at its own best end (slope not negative)."""
    return min(tilt * w.edge[0], tilt * w.edge[w.edge.size - 1]) + slope * electrochemical(P, w.out_least if P > 0.0 else w.in_least)


@compiled_shared
def stage_over_window(begin: int, end: int, points: Points, w: Window, slope: Any, out_cost: Any, out_pick: Any, out_where: Any) -> None:
    """Lower bound of the stage cost over every energy of the window, for values with the given slopes.

    slope : (K + 1,) [g/J], not negative; the value is a_k(n) - slope_k e       out_where : (K, N) energy that gives the bound
    The point of the least quick bound is looked at first, the others only where their quick bound is below it.
    """
    for k in range(begin, end):
        tilt, price, burn = slope[k] - slope[k + 1], slope[k + 1] * points.dt[k], points.burn[k]
        for n in range(points.first.shape[1]):
            best, pick, where = HUGE, -1, 0.0
            early, late = points.first[k, n], points.first[k, n] + points.count[k, n]
            first, least = -1, math.inf
            for j in range(early, late):
                floor = points.fuel[j] * burn + _floor_over_window(w, tilt, price, points.power[j])
                if floor < least:
                    first, least = j, floor
            for q in range(early - 1, late):
                j = first if q < early else q
                if j < 0 or points.fuel[j] * burn + _floor_over_window(w, tilt, price, points.power[j]) >= best:
                    continue
                bound, edge = _least_over_window(w, tilt, price, points.power[j])
                cost = points.fuel[j] * burn + bound
                if cost < best:
                    best, pick, where = cost, j, edge
            out_cost[k, n], out_pick[k, n], out_where[k, n] = best, pick, where


@compiled_inline
def _drive_costs(cost: Any, links: Links, k: int, value: Any, driven: Any) -> None:
    """driven (S,) out: cost of driving interval k in each state and of what comes after; twice HUGE where impossible."""
    for c in range(driven.size):
        stage, later = cost[k, links.node[c]], value[k + 1, c]
        driven[c] = stage + later if stage < HUGE and later < HUGE else 2.0 * HUGE


@compiled_making
def chain(cost: Any, links: Links, slope: Any, value: Any, follow: Any) -> None:
    """Exact dynamic programming over states alone, backward.

    cost : (K, N) stage costs      value : (K + 1, S + 1) out, row k before the change at k, column S from rest
    follow : (K, S + 1) out, the best change from each state, where it stands in the links; -1 where none is possible
    """
    K = cost.shape[0]
    driven = np.empty(links.node.size - 1)
    value[:], follow[:] = HUGE, -1
    value[K, :] = 0.0
    for k in range(K - 1, -1, -1):
        _drive_costs(cost, links, k, value, driven)
        price = slope[k]
        for q in range(links.first[k], links.first[k + 1]):
            a = links.before[q]
            total = driven[links.after[q]] + links.fixed[q] + price * links.stored[q]
            if total < value[k, a]:
                value[k, a], follow[k, a] = total, q


@compiled_making
def arrive(cost: Any, links: Links, slope: Any, value: Any, limit: float, through: Any, live: Any) -> None:
    """Least cost of the whole trip through each interval and node, and the changes through which a trip costs at most ``limit``.

    value : (K + 1, S + 1) of ``chain``      through : (K, N) out [g]      live : (K, N + 1, N) out, of those changes
    """
    K, S = cost.shape[0], links.node.size - 1
    came, come, driven = np.full(S + 1, HUGE), np.empty(S), np.empty(S)
    came[S] = 0.0
    live[:] = False
    through[:] = HUGE
    for k in range(K):
        _drive_costs(cost, links, k, value, driven)
        come[:] = HUGE
        price = slope[k]
        for q in range(links.first[k], links.first[k + 1]):
            a, c = links.before[q], links.after[q]
            total = came[a] + links.fixed[q] + price * links.stored[q]
            come[c] = min(come[c], total)
            if total + driven[c] <= limit:
                live[k, links.node[a], links.node[c]] = True
        came[S] = HUGE
        for c in range(S):
            n = links.node[c]
            through[k, n] = min(through[k, n], come[c] + driven[c])
            came[c] = min(come[c] + cost[k, n], HUGE)


@compiled
def bound_course(points: Points, b: BatteryArrays, links: Links, slope: Any, pick: Any, where: Any, follow: Any, start: float,
                 target: float, cost: Any, at: Any, gradient: Any) -> None:
    """The schedule that attains the lower bound: cost (K,) out [g], and at (K,) out, the energy at which its stage is least.

    gradient : (K + 1,) out, derivative of the bound by the slope at each time       start : energy from the target [J]
    pick, where : (K, N) of ``stage_over_window``      follow : (K, S + 1) of ``chain``
    """
    K, a = pick.shape[0], follow.shape[1] - 1
    gradient[:] = 0.0
    gradient[0] = -start
    for k in range(K):
        q = follow[k, a]
        a = links.after[q]
        n = links.node[a]
        j = pick[k, n]
        at[k] = where[k, n]
        cost[k] = links.fixed[q] + points.fuel[j] * points.burn[k]
        gradient[k] += at[k] + links.stored[q]
        gradient[k + 1] -= at[k] - internal_power(b, at[k] + target, points.power[j]) * points.dt[k]


@compiled
def costate_course(b: BatteryArrays, energy: Any, power: Any, dt: Any, low: float, high: float, shape: Any) -> None:
    """shape (K + 1,) out: costate along a trajectory relative to its end, lambda_k = lambda_k+1 (1 - dt dp/de), e kept inside
    [low, high]."""
    step = 1e-4 * (high - low)
    shape[dt.size] = 1.0
    for k in range(dt.size - 1, -1, -1):
        e = min(max(energy[k], low + step), high - step)
        slope = (internal_power(b, e + step, power[k]) - internal_power(b, e - step, power[k])) / (2.0 * step)
        shape[k] = shape[k + 1] * (1.0 - dt[k] * slope if math.isfinite(slope) else 1.0)     # at the most the battery gives it has none


@compiled
def follow_chain(points: Points, b: BatteryArrays, links: Links, pick: Any, follow: Any, start: float, node: Any,
                 point: Any, energy: Any) -> None:
    """Drives the schedule of ``chain`` with the true battery, window ignored (the table of the battery holds the energy).

    start : absolute stored energy [J]     node, point : (K,) out     energy : (K + 1,) out, absolute
    """
    K, a = node.size, follow.shape[1] - 1
    e = start
    low, high = b.energy_J[0], b.energy_J[b.energy_J.size - 1]
    for k in range(K):
        energy[k] = e
        q = follow[k, a]
        a = links.after[q]
        node[k] = links.node[a]
        point[k] = pick[k, node[k]]
        e -= links.stored[q]
        e -= internal_power(b, min(max(e, low), high), points.power[point[k]]) * points.dt[k]
    energy[K] = e


@compiled_shared
def worth_points(begin: int, end: int, points: Points, w: Window, slope: Any, stage: Any, through: Any, limit: float,
                 room_at: Any, count: Any, kept: Any) -> None:
    """Points through which a trip can cost at most ``limit``, by the quick bound.

    stage, through : (K, N) of the certificate      room_at : (K,) where the list of each interval begins in ``kept``
    count : (K, N) out, of each node      kept : (Q',) out, indices of points, the nodes of an interval one after the other
    """
    for k in range(begin, end):
        tilt, price, place = slope[k] - slope[k + 1], slope[k + 1] * points.dt[k], room_at[k]
        for n in range(points.first.shape[1]):
            count[k, n] = 0
            if through[k, n] > limit:
                continue
            room = limit - through[k, n] + stage[k, n]
            for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                if points.fuel[j] * points.burn[k] + _floor_over_window(w, tilt, price, points.power[j]) <= room:
                    kept[place] = j
                    place += 1
                    count[k, n] += 1
