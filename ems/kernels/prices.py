"""Prices of all choices at driven states above the certified lower value, and controllers that do not see ahead."""

from __future__ import annotations

from typing import Any

import numpy as np

from ems.kernels.battery import BatteryArrays, electrochemical, power_limits, state
from ems.kernels.jit import compiled
from ems.kernels.sweep import HUGE, Changes, Points


@compiled
def price_choices(points: Points, b: BatteryArrays, changes: Changes, slope: Any, intercept: Any, target: float, before: Any, energy: Any,
                  own: Any, now: Any, total: Any, pick: Any) -> None:
    """Least price of every node at every driven state: cost + W_k+1(next) - W_k(now), W = intercept - slope (e - target).

    before : (K,) node driven before      energy : (K + 1,) driven, absolute      own : (K,) point driven, admitted whatever the limits say
    now : (K,) W at the driven states     total, pick : (K, N) out, least price [g] and its point; HUGE and -1 where nothing is possible
    """
    for k in range(points.dt.size):
        a, e, dt = before[k], energy[k], points.dt[k]
        for c in range(points.first.shape[1]):
            best, best_point = HUGE, -1
            if points.count[k, c] == 0 or changes.stored[k, a, c] >= HUGE:
                total[k, c], pick[k, c] = best, best_point
                continue
            start = e - changes.stored[k, a, c]
            _, v, rd, rc = state(b, start)
            least, most = power_limits(b, v, rd, rc)
            outside = start < b.low_J - 1e-6 or start > b.high_J + 1e-6
            enter = changes.fixed[a, c] + intercept[k + 1, c] - now[k]
            for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
                P = points.power[j]
                if j != own[k] and (outside or P < least or P > most):
                    continue
                end = start - electrochemical(P, (rd if P > 0.0 else rc) / (v * v)) * dt
                if j != own[k] and (end < b.low_J or end > b.high_J):
                    continue
                price = enter + points.fuel[j] * dt - slope[k + 1] * (end - target)
                if price < best:
                    best, best_point = price, j
            total[k, c], pick[k, c] = best, best_point


@compiled
def look_ahead(stage: Any, changes: Changes, price: float, group: Any, size: Any, rounds: int, ahead: Any) -> int:
    """Least cost of what may follow, known only by the group of seconds the present one belongs to: a stochastic dynamic programme.

    The next second is the one after any second of the group, all equally likely; after the last comes the first. Relative values.
    stage : (K, N) stage costs at the price of stored energy [g/J]      group : (K,) groups, size : (G,) seconds in each
    ahead : (K, N) out, mean cost after each second over the other seconds of its group, never its own successor; nothing where it is alone
    Returns the rounds that were needed.
    """
    K, N = stage.shape
    value, mean, last = np.zeros((K, N)), np.zeros((size.size, N)), np.zeros((size.size, N))
    used = rounds
    for r in range(rounds):
        for k in range(K):
            for a in range(N):
                best = HUGE
                for c in range(N):
                    if stage[k, c] < HUGE and changes.stored[k, a, c] < HUGE:
                        best = min(best, changes.fixed[a, c] + price * changes.stored[k, a, c] + stage[k, c] + mean[group[k], c])
                value[k, a] = best
        last[:] = mean
        mean[:] = 0.0
        for k in range(K):
            for c in range(N):
                mean[group[k], c] += value[(k + 1) % K, c] / size[group[k]]
        mean -= mean.min()
        mean[:] = 0.5 * (mean + last)               # damped: a chain may be periodic
        if np.abs(mean - last).max() < 1e-6:
            used = r + 1
            break
    for k in range(K):
        others = size[group[k]] - 1
        for c in range(N):
            if others == 0:
                ahead[k, c] = 0.0
            else:
                ahead[k, c] = ((others + 1) * mean[group[k], c] - value[(k + 1) % K, c]) / others
    return used


@compiled
def drive_priced(points: Points, b: BatteryArrays, changes: Changes, ahead: Any, price: Any, feedback: float, power: int, centre: float,
                 share: float, start: float, node: Any, point: Any, energy: Any) -> int:
    """Each second the least of fuel, price times stored energy, change, and what is ahead; the window of charge is kept as far as possible.

    price : (K,) [g/J] at the energy ``centre``; it rises by the share ``feedback`` x ** ``power``, x the energy below the centre in windows
    share : of the cost of a change that is counted in the second of the change      ahead : (K, N) [g]
    node, point : (K,) out      energy : (K + 1,) out      Returns -1, or the interval at which nothing is possible.
    """
    K, N = points.dt.size, points.first.shape[1]
    a, e = N, start
    for k in range(K):
        energy[k] = e
        worth = max(price[k] * (1.0 + feedback * ((centre - e) / (b.high_J - b.low_J)) ** power), 0.0)
        best, best_node, best_point, best_end = 2.0 * HUGE, -1, -1, 0.0
        for c in range(N):
            if points.count[k, c] == 0 or changes.stored[k, a, c] >= HUGE:
                continue
            begin = e - changes.stored[k, a, c]
            _, v, rd, rc = state(b, begin)
            least, most = power_limits(b, v, rd, rc)
            out_x, in_x = rd / (v * v), rc / (v * v)
            enter = share * (changes.fixed[a, c] + worth * changes.stored[k, a, c]) + ahead[k, c]
            for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
                P = points.power[j]
                if P < least or P > most:
                    continue
                end = begin - electrochemical(P, out_x if P > 0.0 else in_x) * points.dt[k]
                over = max(b.low_J - min(begin, end), 0.0) + max(max(begin, end) - b.high_J, 0.0)
                cost = enter + points.fuel[j] * points.dt[k] + worth * (begin - end) + (1e6 + over if over > 1e-6 else 0.0)
                if cost < best:
                    best, best_node, best_point, best_end = cost, c, j, end
        if best_node < 0:
            return k
        node[k], point[k] = best_node, best_point
        a, e = best_node, best_end
    energy[K] = e
    return -1
