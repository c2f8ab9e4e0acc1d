"""Frontiers: of all choices of a configuration in a second, the points that nothing beats in fuel and battery power.

A candidate is (fuel rate, terminal power, choice); choice = (free engine speed, wheel torque, engine torque, inner
torques). While braking the way from full regeneration to friction brakes alone is kept too, although full regeneration
dominates it: a full battery must not make a trip infeasible. Around given slopes (grams a joule) the supporting points
are sought continuously.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from ems.kernels.battery import electrochemical
from ems.kernels.box import best_division, engine_range
from ems.kernels.golden import GOLDEN
from ems.kernels.jit import NO, compiled, compiled_inner, compiled_shared, compiled_within
from ems.kernels.plant import (
    COUPLED,
    OK,
    Bench,
    Cut,
    PlantArrays,
    broken_engine,
    broken_machine,
    free_range,
    fuel_rate,
    make_bench,
    make_cut,
    terminal_power,
)

BISECTIONS = 14         # halvings in the search for the most that the machines can take of a braking torque
BRAKING_SPEEDS = 4      # free engine speeds at which braking is looked at; an engine without torque wants none of them high


class Grid(NamedTuple):
    """How finely the box is searched: points an axis, golden-section steps, and the most points kept in a frontier."""

    free_points: int
    torque_points: int
    brake_points: int
    inner_points: int
    inner_steps: int
    slope_steps: int
    capacity: int


class Demands(NamedTuple):
    """Distinct demands: wheel speed [rad/s], acceleration [rad/s2] and torque [N m], auxiliaries [W]; each (U,).

    axle_least : (U, A) least torque each limited axle may take [N m]
    """

    wheel_speed: Any
    wheel_acceleration: Any
    wheel_torque: Any
    auxiliary: Any
    axle_least: Any


class Moment(NamedTuple):
    """One demand in one table: table, wheel speed, acceleration and torque, auxiliaries, nominal x of the battery, least axle torques."""

    t: int
    ww: float
    alpha: float
    Tw: float
    aux: float
    x: float
    axle_least: Any


class Candidates(NamedTuple):
    """Scratch list: fuel, power (n,), choice (n, 3 + I), friction: kept although dominated (n,), count (1,); order, kept (n,) for the
    choice among them."""

    fuel: Any
    power: Any
    choice: Any
    friction: Any
    count: Any
    order: Any
    kept: Any


class Frontiers(NamedTuple):
    """Padded frontiers of R rows, J points: fuel [g/s], power [W], choice (R, J, 3 + I), count of points (R,)."""

    fuel: Any
    power: Any
    choice: Any
    count: Any


def make_scratch(plant: PlantArrays, grid: Grid, slopes: int) -> tuple[Bench, Candidates]:
    """Scratch memory of one thread for a grid and so many slopes a demand."""
    most = grid.free_points * (grid.free_points + grid.brake_points + 2) + grid.torque_points + 3 * slopes + 8
    choice = np.zeros((most, 3 + plant.inner_source.shape[1]))
    order, kept, count = np.zeros(most, np.int64), np.zeros(most, np.int64), np.zeros(1, np.int64)
    return make_bench(plant), Candidates(np.zeros(most), np.zeros(most), choice, np.zeros(most, np.bool_), count, order, kept)


@compiled_inner
def lane_points(plant: PlantArrays, t: int, grid: Grid) -> int:
    """Points on the axis of the free engine speed: the grid's on the engine's whole range, a part of them in a lane."""
    share = (plant.free_high[t] - plant.free_low[t]) / (plant.engine_max - plant.engine_idle)
    return max(3, math.ceil((grid.free_points - 1) * min(share, 1.0)) + 1)


@compiled
def _push(cut: Cut, now: Moment, f: float, P: float, friction: bool, found: Candidates) -> None:
    """Keeps the choice in the cut as a candidate, if it is possible."""
    n = found.count[0]
    wheel_torque = cut.out[cut.speed.size]
    if P == math.inf or n >= found.fuel.size or wheel_torque < now.Tw - 1e-9 * (1.0 + abs(now.Tw)):
        return                                      # the last: nothing reaches the wheels, and brakes cannot push
    found.fuel[n] = fuel_rate(cut)
    found.power[n] = P
    found.friction[n] = friction
    found.choice[n, 0] = f
    found.choice[n, 1] = wheel_torque
    found.choice[n, 2] = cut.out[0]
    for i in range(2, cut.fixed):
        found.choice[n, 1 + i] = cut.x[i]
    found.count[0] = n + 1


@compiled
def _asked(cut: Cut) -> int:
    """1 where a source would have to give more than it can for the torques in the cut, -1 where it would have to take more, 0 else."""
    if broken_engine(cut) != OK:
        return 1 if cut.out[0] > 0.0 else -1
    for m in range(cut.loss_row.shape[0]):
        if broken_machine(cut, m) != OK:
            return 1 if cut.out[m + 1] * cut.speed[m + 1] > 0.0 else -1
    return 0


@compiled_within
def _most_taken(cut: Cut, now: Moment, grid: Grid) -> float:
    """Largest share of the braking torque that the machines can take (negative: none is possible).

    None at all may be too little: an engine turned without fuel takes its share where no machine can drive it.
    """
    cap = 1.0                                       # a single axle takes no larger share than it may
    if cut.axle_joint.size == 1:
        cap = min(max(now.axle_least[0] / now.Tw, 0.0), 1.0)
    taken, least, most = -1.0, 0.0, cap             # possible, too little, too much
    between = False
    q, end = 0, 2 + BISECTIONS
    while q < end:
        share = cap if q == 0 else 0.0 if q == 1 else 0.5 * (max(taken, least) + most)
        if best_division(cut, share * now.Tw, 0.0, grid.inner_points, grid.inner_steps, NO) < math.inf:
            if taken < 0.0:
                end = max(end, q + 1 + BISECTIONS)
            taken = max(taken, share)
            if taken == cap:
                break
        elif q == 0:
            between = _asked(cut) < 0               # too much there; where nothing is too little, what is possible lies between
        elif q == 1:
            if not between or _asked(cut) <= 0:
                break
        elif taken < 0.0 and _asked(cut) > 0:
            least = share
        else:
            most = share
        q += 1
    return taken


@compiled_within
def _braking(cut: Cut, now: Moment, f: float, grid: Grid, found: Candidates) -> None:
    """Candidates while braking: engine without torque, from the most the machines take to the friction brakes alone.

    One loop in stages: golden section for the share that gives most electricity (not always the largest; skipped where a
    slightly smaller share gives less), then an even ladder of shares down to none.
    """
    most = _most_taken(cut, now, grid)
    if most < 0.0:
        return
    golden = 2 * grid.slope_steps
    a, b, best = 0.5 * most, most, most
    c = P_most = P_c = 0.0
    for q in range(2 + golden + 1 + grid.brake_points):
        if q == 0:
            share = most
        elif q == 1:
            share = 0.98 * most
        elif q < 2 + golden:
            if best == most:
                continue
            share = b - GOLDEN * (b - a) if q % 2 == 0 else a + GOLDEN * (b - a)
        elif q == 2 + golden:
            share = most if best == most else 0.5 * (a + b)
        else:
            share = most * (1.0 - (q - 3 - golden) / (grid.brake_points - 1.0))
        steps = grid.inner_steps if q <= 2 + golden else 0              # how the ladder is divided hardly matters
        P = best_division(cut, share * now.Tw, 0.0, grid.inner_points, steps, q > 2 + golden)
        if q == 0:
            P_most = P
        elif q == 1:
            best = share if P < P_most else most
        elif q >= 2 + golden:
            _push(cut, now, f, P, q > 3 + golden, found)
        elif q % 2 == 0:
            c, P_c = share, P
        elif P_c < P:
            b = share
        else:
            a = c


@compiled_within
def _golden_torque(cut: Cut, now: Moment, Te: float, wide: float, slope: float, steps: int, grid: Grid) -> float:
    """Engine torque near Te of least fuel + slope * electrochemical power, by golden section; left set in the cut.

    wide : how far from Te, share of the torques that are possible
    """
    low, high = engine_range(cut, now.Tw)
    a, b = max(low, Te - wide * (high - low)), min(high, Te + wide * (high - low))
    best, least = Te, math.inf
    c, d, cost_c, cost_d = Te, Te, math.inf, math.inf
    for q in range(steps + 4):
        if q == 0:
            T = min(max(Te, low), high)
        elif q == 1:
            c, d = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
            T = c
        elif q == 2:
            T = d
        elif q == steps + 3:
            T = best
        elif cost_c <= cost_d:
            b, d, cost_d = d, c, cost_c
            c = b - GOLDEN * (b - a)
            T = c
        else:
            a, c, cost_c = c, d, cost_d
            d = a + GOLDEN * (b - a)
            T = d
        P = best_division(cut, now.Tw, T, grid.inner_points, grid.inner_steps, q > 0)
        cost = math.inf if P == math.inf else fuel_rate(cut) + slope * electrochemical(P, now.x)
        if cost < least:
            best, least = T, cost
        if q > 0:
            if T == c:
                cost_c = cost
            else:
                cost_d = cost
    return best


@compiled_within
def _cost_at_speed(plant: PlantArrays, bench: Bench, now: Moment, f: float, Te: float, slope: float,
                   grid: Grid) -> float:
    """Fuel rate plus slope times electrochemical power at free speed f and engine torque Te (inf: not possible)."""
    cut = make_cut(plant, bench, now.t, now.ww, f, now.alpha, now.aux, now.axle_least)
    if cut.code != OK:
        return math.inf
    P = best_division(cut, now.Tw, min(Te, cut.limit[0]), grid.inner_points, grid.inner_steps, NO)
    return math.inf if P == math.inf else fuel_rate(cut) + slope * electrochemical(P, now.x)


@compiled_within
def _golden_speed(plant: PlantArrays, bench: Bench, now: Moment, f: float, Te: float, low: float, high: float,
                  slope: float, steps: int, grid: Grid) -> float:
    """Free speed in [low, high] of least fuel + slope * electrochemical power at torque Te, by golden section."""
    a, b = low, high
    best, least = f, math.inf
    c, d, cost_c, cost_d = f, f, math.inf, math.inf
    for q in range(steps + 3):
        if q == 0:
            w = f
        elif q == 1:
            c, d = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
            w = c
        elif q == 2:
            w = d
        elif cost_c <= cost_d:
            b, d, cost_d = d, c, cost_c
            c = b - GOLDEN * (b - a)
            w = c
        else:
            a, c, cost_c = c, d, cost_d
            d = a + GOLDEN * (b - a)
            w = d
        cost = _cost_at_speed(plant, bench, now, w, Te, slope, grid)
        if cost < least:
            best, least = w, cost
        if q > 0:
            if w == c:
                cost_c = cost
            else:
                cost_d = cost
    return best


@compiled_within
def _support(plant: PlantArrays, bench: Bench, now: Moment, slope: float, low: float, high: float, grid: Grid,
             found: Candidates, scanned: int) -> None:
    """Adds the continuous minimum of fuel + slope * electrochemical power, sought from the best scanned candidate."""
    start, least = -1, math.inf
    for n in range(scanned):
        cost = found.fuel[n] + slope * electrochemical(found.power[n], now.x)
        if cost < least and not found.friction[n]:
            start, least = n, cost
    if start < 0:
        return
    f, Te = found.choice[start, 0], found.choice[start, 2]
    free = high > low
    wide = (high - low) / (lane_points(plant, now.t, grid) - 1.0)
    share = 1.0 / ((grid.free_points if free else grid.torque_points) - 1.0)
    steps = grid.slope_steps // 2 + 1 if free else grid.slope_steps     # two axes in turn: the second round sharpens the first
    for _ in range(2 if free else 1):
        if free:
            f = _golden_speed(plant, bench, now, f, Te, max(low, f - wide), min(high, f + wide), slope, steps, grid)
        cut = make_cut(plant, bench, now.t, now.ww, f, now.alpha, now.aux, now.axle_least)
        if cut.code != OK:
            return
        Te = _golden_torque(cut, now, Te, share, slope, steps, grid)
        wide, share = 0.3 * wide, 0.3 * share
        P, _ = terminal_power(cut)
        _push(cut, now, f, P, NO, found)


@compiled_within
def _scan(plant: PlantArrays, bench: Bench, now: Moment, slopes: Any, grid: Grid, found: Candidates) -> None:
    """All candidates of one demand in one table."""
    found.count[0] = 0
    low, high = free_range(plant, now.t, now.ww)
    if low > high:
        return
    choosing = plant.engine_mode[now.t] == COUPLED and plant.engine_free[now.t]
    free = plant.has_free[now.t] and high > low
    points = lane_points(plant, now.t, grid) if free else 1
    torques = 1
    if choosing:
        torques = grid.free_points if free else grid.torque_points
    inner_steps = grid.inner_steps // 2 if choosing else grid.inner_steps       # supports are sought after the scan
    braking_speeds = BRAKING_SPEEDS if points == grid.free_points else 2
    braking = now.Tw < 0.0 and plant.wheel_free[now.t]
    for q in range(points):
        f = low + (high - low) * q / (points - 1.0) if points > 1 else low
        cut = make_cut(plant, bench, now.t, now.ww, f, now.alpha, now.aux, now.axle_least)
        if cut.code != OK:
            continue
        if braking and q % (1 + points // braking_speeds) == 0:
            _braking(cut, now, f, grid, found)
        if choosing or not braking:
            low_Te, high_Te = engine_range(cut, now.Tw) if choosing else (0.0, 0.0)
            for i in range(torques if low_Te <= high_Te else 0):
                Te = low_Te + (high_Te - low_Te) * i / max(torques - 1.0, 1.0)
                _push(cut, now, f, best_division(cut, now.Tw, Te, grid.inner_points, inner_steps, NO), NO, found)
    if choosing:
        scanned = found.count[0]
        for i in range(slopes.size):
            if slopes[i] >= 0.0:
                _support(plant, bench, now, slopes[i], low, high, grid, found, scanned)


@compiled
def _put_in_order(values: Any, n: int, order: Any) -> None:
    """order : (n,) out, the first n values from the least to the largest (Shell's sort: numpy's makes an array)."""
    for i in range(n):
        order[i] = i
    gap = 1
    while 3 * gap < n:
        gap = 3 * gap + 1
    while gap > 0:
        for i in range(gap, n):
            moving, j = order[i], i
            while j >= gap and values[order[j - gap]] > values[moving]:
                order[j] = order[j - gap]
                j -= gap
            order[j] = moving
        gap //= 3


@compiled_within
def _reduce(found: Candidates, row: int, out: Frontiers) -> None:
    """Keeps what nothing beats (and the friction-brake points), thinned to the capacity by least loss of shape."""
    n = found.count[0]
    capacity = out.fuel.shape[1]
    order, kept = found.order, found.kept
    _put_in_order(found.power, n, order)
    size = 0
    least = math.inf
    for q in range(n):
        i = order[q]
        if found.fuel[i] < least - 1e-12 and not found.friction[i]:
            least = found.fuel[i]
            kept[size] = i
            size += 1
    friction = 0
    for i in range(n):
        friction += 1 if found.friction[i] else 0
    room = max(2, capacity - friction)
    while size > room:
        weakest, smallest = 1, math.inf
        for q in range(1, size - 1):
            a, b, c = kept[q - 1], kept[q], kept[q + 1]
            chord = found.fuel[a] + (found.fuel[c] - found.fuel[a]) * (found.power[b] - found.power[a]) / (
                found.power[c] - found.power[a])
            if chord - found.fuel[b] < smallest:
                weakest, smallest = q, chord - found.fuel[b]
        for q in range(weakest, size - 1):
            kept[q] = kept[q + 1]
        size -= 1
    for q in range(size):
        _copy(found, kept[q], row, q, out)
    count = size
    for q in range(n):
        if found.friction[order[q]] and count < capacity:
            _copy(found, order[q], row, count, out)
            count += 1
    out.count[row] = count


@compiled
def _copy(found: Candidates, i: int, row: int, j: int, out: Frontiers) -> None:
    out.fuel[row, j], out.power[row, j] = found.fuel[i], found.power[i]
    for d in range(out.choice.shape[2]):
        out.choice[row, j, d] = found.choice[i, d]


@compiled_shared
def build_frontiers(begin: int, end: int, plant: PlantArrays, demands: Demands, row_demand: Any, row_table: Any, slopes: Any, x: float,
                    grid: Grid, out: Frontiers, bench: Bench, found: Candidates) -> None:
    """Frontiers of rows begin .. end - 1 of R (demand, table) pairs.

    row_demand, row_table : (R,) which demand and which table each row is
    slopes : (U, L) fuel per electrochemical energy [g/J] at which supporting points of each demand are sought; NaN: none
    x : nominal resistance over voltage squared of the battery [1/W]
    out : filled; a count of zero marks a pair that is not possible      bench, found : of ``make_scratch``
    """
    for row in range(begin, end):
        u = row_demand[row]
        now = Moment(row_table[row], demands.wheel_speed[u], demands.wheel_acceleration[u], demands.wheel_torque[u],
                     demands.auxiliary[u], x, demands.axle_least[u])
        _scan(plant, bench, now, slopes[u], grid, found)
        _reduce(found, row, out)
