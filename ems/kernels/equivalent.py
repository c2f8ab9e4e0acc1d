"""One second of equivalent consumption: of all that is possible, the least fuel plus priced electrochemical power.

First among the points of the tables, by node; then continuously around the one found, through the plant itself.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from ems.kernels.battery import BatteryArrays
from ems.kernels.box import best_division
from ems.kernels.golden import bracket, told, wanted
from ems.kernels.jit import NO, compiled
from ems.kernels.plant import OK, Bench, PlantArrays, free_range, fuel_rate, make_cut
from ems.kernels.simulate import POINTS, STEPS, Room, Second, fits, internal, room


class Frontier(NamedTuple):
    """Points of one demand by node: first, count : (N,); fuel [g/s], power [W] : (Q,); choice : (Q, 3 + I)."""

    first: Any
    count: Any
    fuel: Any
    power: Any
    choice: Any


class Price(NamedTuple):
    """How choices are weighed: slope [g/J] and seconds a change must pay itself back in.

    stored, fixed : (N,) energy from the store [J] and fuel and price [g] of changing from the present node
    """

    slope: float
    payback_s: float
    stored: Any
    fixed: Any


@compiled
def least_cost(front: Frontier, b: BatteryArrays, e: float, dt: float, keep: Any, price: Price, stay: int) -> tuple[int, int]:
    """(node, point) of least fuel + slope * electrochemical power + change over its payback; (-1, -1) where nothing is possible.

    keep : (N, 3) as in ``room``, by node
    stay : present node, -1 at the start
    """
    best, node, point = math.inf, -1, -1
    for n in range(front.count.size):
        if front.count[n] == 0:
            continue
        e_start = e - price.stored[n]
        if e_start < b.low_J or e_start > b.high_J:
            continue
        change = 0.0
        if n != stay:
            change = (price.fixed[n] + price.slope * price.stored[n]) / price.payback_s
        space = room(b, e_start, dt, keep[n])
        for j in range(front.first[n], front.first[n] + front.count[n]):
            P = front.power[j]
            if not fits(space, P):
                continue
            cost = front.fuel[j] + price.slope * internal(space, P) + change
            if cost < best:
                best, node, point = cost, n, j
    return node, point


@compiled
def polish(plant: PlantArrays, bench: Bench, t: int, now: Second, space: Room, slope: float, choice: Any, wide_f: float,
           wide_T: float) -> float:
    """Continuous minimum of fuel + slope * electrochemical power near a choice, which is replaced by it; returns the cost [g/s].

    Engine speed (where free) and engine torque in turn by golden section, the division between machines inside.
    """
    low, high = free_range(plant, t, now.ww)
    f, Te = choice[0], choice[2]
    best_f, best_T, least = f, Te, math.inf
    rounds = 3 if plant.has_free[t] else 1
    span_T = wide_T
    for r in range(2 * rounds):
        over_speed = r % 2 == 0
        if over_speed and not plant.has_free[t]:
            continue
        a = max(low, best_f - wide_f) if over_speed else max(0.0, best_T - span_T)
        b = min(high, best_f + wide_f) if over_speed else best_T + span_T
        search = bracket(a, b)
        for q in range(13):
            x = wanted(search) if q > 0 else (best_f if over_speed else best_T)
            f = x if over_speed else best_f
            cut = make_cut(plant, bench, t, now.ww, f, now.alpha, now.aux, now.axle_least)
            cost = math.inf
            if cut.code == OK:
                T = min(best_T if over_speed else x, cut.limit[0])
                P = best_division(cut, now.Tw, T, POINTS, STEPS, NO)
                if fits(space, P) and cut.out[cut.speed.size] >= now.Tw - 1e-9 * (1.0 + abs(now.Tw)):
                    cost = fuel_rate(cut) + slope * internal(space, P)
                if cost < least:
                    least, best_f, best_T = cost, f, T
                    choice[0], choice[1], choice[2] = f, cut.out[cut.speed.size], cut.out[0]
                    for i in range(2, cut.fixed):
                        choice[1 + i] = cut.x[i]
            if q > 0:
                search = told(search, cost)
        if over_speed:
            wide_f *= 0.5
        else:
            span_T *= 0.5
    return least
