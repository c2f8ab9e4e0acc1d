"""Prices of all choices at driven states above the certified lower value, and controllers that do not see ahead."""

from __future__ import annotations

from typing import Any

import numpy as np

from ems.kernels.battery import BatteryArrays, electrochemical, power_limits, state
from ems.kernels.changes import HUGE, Changes, stored_by
from ems.kernels.jit import compiled, compiled_making
from ems.kernels.sweep import Points


@compiled
def price_choices(points: Points, b: BatteryArrays, changes: Changes, slope: Any, intercept: Any, target: float, before: Any, energy: Any,
                  own: Any, now: Any, total: Any, pick: Any, after: Any) -> None:
    """Least price of every node at every driven state: cost + W_k+1(next) - W_k(now), W = intercept - slope (e - target).

    before : (K,) state driven before     energy : (K + 1,) driven, absolute      own : (K,) point driven, admitted whatever the limits say
    now : (K,) W at the driven states     total, pick, after : (K, N) out, least price [g], its point and the state it leads to; HUGE and
    -1 where nothing is possible
    """
    total[:], pick[:], after[:] = HUGE, -1, -1
    for k in range(points.dt.size):
        a, e, dt = before[k], energy[k], points.dt[k]
        for s in range(changes.open.shape[1]):
            c, stored = changes.node[s], stored_by(changes, k, a, s)
            if points.count[k, c] == 0 or stored >= HUGE:
                continue
            best, best_point = HUGE, -1
            start = e - stored
            soc, v, rd, rc = state(b, start)
            least, most = power_limits(b, soc, v, rd, rc)
            outside = start < b.low_J - 1e-6 or start > b.high_J + 1e-6
            enter = changes.fixed[changes.node[a], c] + intercept[k + 1, s] - now[k]
            for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
                P = points.power[j]
                if j != own[k] and (outside or P < least or P > most):
                    continue
                end = start - electrochemical(P, (rd if P > 0.0 else rc) / (v * v)) * dt
                if j != own[k] and (end < b.low_J or end > b.high_J):
                    continue
                price = enter + points.fuel[j] * points.burn[k] - slope[k + 1] * (end - target)
                if price < best:
                    best, best_point = price, j
            if best < total[k, c]:
                total[k, c], pick[k, c], after[k, c] = best, best_point, s


@compiled_making
def look_ahead(stage: Any, changes: Changes, price: float, group: Any, size: Any, rounds: int, ahead: Any) -> int:
    """Least cost of what may follow, known only by the group of seconds the present one belongs to: a stochastic dynamic programme.

    The next second is the one after any second of the group, all equally likely; after the last comes the first. Relative values.
    stage : (K, N) stage costs at the price of stored energy [g/J]      group : (K,) groups, size : (G,) seconds in each
    ahead : (K, S) out, of every state, mean cost after each second over the other seconds of its group, never its own successor;
    nothing where it is alone
    Returns the rounds that were needed.
    """
    K, S = stage.shape[0], changes.open.shape[1]
    value, mean, last = np.zeros((K, S)), np.zeros((size.size, S)), np.zeros((size.size, S))
    used = rounds
    for r in range(rounds):
        for k in range(K):
            for a in range(S):
                best = HUGE
                for c in range(S):
                    drive, stored = stage[k, changes.node[c]], stored_by(changes, k, a, c)
                    if drive < HUGE and stored < HUGE:
                        enter = changes.fixed[changes.node[a], changes.node[c]] + price * stored
                        best = min(best, enter + drive + mean[group[k], c])
                value[k, a] = best
        last[:] = mean
        mean[:] = 0.0
        for k in range(K):
            for c in range(S):
                mean[group[k], c] += value[(k + 1) % K, c] / size[group[k]]
        mean -= mean.min()
        mean[:] = 0.5 * (mean + last)               # damped: a chain may be periodic
        if np.abs(mean - last).max() < 1e-6:
            used = r + 1
            break
    for k in range(K):
        others = size[group[k]] - 1
        for c in range(S):
            if others == 0:
                ahead[k, c] = 0.0
            else:
                ahead[k, c] = ((others + 1) * mean[group[k], c] - value[(k + 1) % K, c]) / others
    return used


@compiled
def drive_priced(points: Points, b: BatteryArrays, changes: Changes, ahead: Any, price: Any, feedback: float, power: int, centre: float,
                 share: float, start: float, path: Any, point: Any, energy: Any) -> int:
    """Each second the least of fuel, price times stored energy, change, and what is ahead; the window of charge is kept as far as possible.

    price : (K,) [g/J] at the energy ``centre``; it rises by the share ``feedback`` x ** ``power``, x the energy below the centre in windows
    share : of the cost of a change that is counted in the second of the change      ahead : (K, S) of every state [g]
    path, point : (K,) out, states and points      energy : (K + 1,) out      Returns -1, or the interval at which nothing is possible.
    """
    K, S = points.dt.size, changes.open.shape[1]
    a, e = S, start
    for k in range(K):
        energy[k] = e
        worth = max(price[k] * (1.0 + feedback * ((centre - e) / (b.high_J - b.low_J)) ** power), 0.0)
        best, best_state, best_point, best_end = 2.0 * HUGE, -1, -1, 0.0
        for s in range(S):
            c, stored = changes.node[s], stored_by(changes, k, a, s)
            if points.count[k, c] == 0 or stored >= HUGE:
                continue
            begin = e - stored
            soc, v, rd, rc = state(b, begin)
            least, most = power_limits(b, soc, v, rd, rc)
            out_x, in_x = rd / (v * v), rc / (v * v)
            enter = share * (changes.fixed[changes.node[a], c] + worth * stored) + ahead[k, s]
            for j in range(points.first[k, c], points.first[k, c] + points.count[k, c]):
                P = points.power[j]
                if P < least or P > most:
                    continue
                end = begin - electrochemical(P, out_x if P > 0.0 else in_x) * points.dt[k]
                over = max(b.low_J - min(begin, end), 0.0) + max(max(begin, end) - b.high_J, 0.0)
                cost = enter + points.fuel[j] * points.burn[k] + worth * (begin - end) + (1e6 + over if over > 1e-6 else 0.0)
                if cost < best:
                    best, best_state, best_point, best_end = cost, s, j, end
        if best_state < 0:
            return k
        path[k], point[k] = best_state, best_point
        a, e = best_state, best_end
    energy[K] = e
    return -1
