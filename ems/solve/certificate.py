"""Certificate: a lower bound of the optimum of the tabulated problem, from values a_k(node) - lambda_k e.

Any value that never exceeds stage cost plus next value, at every energy of the window, bounds the optimum from below at the
start. The slopes lambda follow a good trajectory and may jump where the window binds; the bound is concave in the segment values.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ems.kernels.changes import HUGE
from ems.kernels.jit import share_out
from ems.kernels.sweep import Points, Window, arrive, bound_course, chain, stage_over_window, worth_points
from ems.solve.planes import Peak, Plane, peak_of_parts, peak_of_wholes, plane_of
from ems.solve.problem import Problem
from ems.types import Array, IntArray

CELLS = 24
SEARCHED, SEVERAL_SEARCHED = 0.0005, 0.001   # distance from the bound, relative, within which points are looked at while it is sought
LONG_S = 1800.0      # seconds of trip from which the distance looked at grows no further
ENOUGH = 3e-6        # what the planes must promise for another evaluation, relative
RADIUS, SEVERAL_RADIUS = 0.02, 0.05          # first half width of the box around the best segment values, relative to their mean
ROUNDS = 3           # how often what was found among few points is held against all of them


@dataclass(frozen=True, slots=True)
class Search:
    """A way to the peak: which planes, how many steps at most, and the half width over the first one at which it ends."""

    peak: Peak
    steps: int
    least_radius: float


FIRST, PARTS, WHOLES = Search(peak_of_parts, 4, 0.0), Search(peak_of_parts, 12, 0.02), Search(peak_of_wholes, 30, 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Bound:
    """A lower bound and the affine values that prove it.

    bound_g : lower bound of the optimum                      costate_g_J : (K + 1,) slopes, shape times segment value
    intercept_g : (K + 1, S + 1) a_k of every state, energies from the target (last column from rest)
    stage_g : (K, N) stage bounds        segments : (K + 1,) segment of each slope        values_g_J : slope of each segment at its end
    plane : above the bounds of all other segment values
    """

    bound_g: float
    costate_g_J: Array
    shape: Array
    intercept_g: Array
    stage_g: Array
    segments: IntArray
    values_g_J: Array
    plane: Plane


def window_cells(problem: Problem) -> Window:
    """The window cut into cells whose edges include the battery's knots, with bounds on how much R / V^2 bends inside."""
    b = problem.plant.battery
    even = np.linspace(b.low_J, b.high_J, CELLS + 1)
    knots = b.energy_J[(b.energy_J > b.low_J) & (b.energy_J < b.high_J)]
    edge = np.unique(np.concatenate([even, knots]))
    battery = problem.plant.layout.battery
    soc = battery.soc_at(edge)
    v = np.interp(soc, battery.soc, battery.voltage_V)
    first, second = 0.0, 0.0
    resistances, least = {}, {}
    for name, knots_ohm in (("out", battery.resistance_discharge_ohm), ("in", battery.resistance_charge_ohm)):
        r = np.interp(soc, battery.soc, knots_ohm)
        resistances[name] = r / v**2
        dv, dr = np.abs(np.diff(v) / np.diff(soc)), np.abs(np.diff(r) / np.diff(soc))
        v_low, r_high = np.minimum(v[1:], v[:-1]), np.maximum(r[1:], r[:-1])
        bend_1 = (dr / v_low**3 + 2 * r_high * dv / v_low**4) / b.capacity_As
        bend_2 = (5 * dr * dv / v_low**5 + 8 * r_high * dv**2 / v_low**6) / b.capacity_As**2
        share = np.diff(edge) ** 2 / 8
        least[name] = float((np.minimum(r[1:], r[:-1]) / np.maximum(v[1:], v[:-1]) ** 2).min())
        first, second = max(first, float((bend_1**2 * share).max())), max(second, float((bend_2 * share).max()))
    return Window(edge - problem.target_J, resistances["out"], resistances["in"], first, second, least["out"], least["in"])


def lower_bound(problem: Problem, window: Window, shape: Array, segments: IntArray, values_g_J: Array) -> Bound:
    """Lower bound for given segment values; valid for any values that are not negative.

    shape : (K + 1,) course of the costate inside a segment      segments : (K + 1,) segment number      values_g_J : (S,)
    """
    (K, N), S = problem.alive.shape, problem.states
    slope = shape * values_g_J[segments]
    stage, pick, where = np.empty((K, N)), np.empty((K, N), np.int64), np.empty((K, N))
    share_out(stage_over_window, K, problem.points, window, slope, stage, pick, where)
    value, follow = np.empty((K + 1, S + 1)), np.empty((K, S + 1), np.int64)
    chain(stage, problem.links, slope, value, follow)
    start = problem.start_J - problem.target_J
    bound = float(value[0, S] - slope[0] * start) if value[0, S] < HUGE else HUGE
    cost, at, gradient = np.zeros(K), np.zeros(K), np.zeros(K + 1)
    if bound < HUGE:
        bound_course(problem.points, problem.plant.battery, problem.links, slope, pick, where, follow, start, problem.target_J, cost, at,
                     gradient)
    return Bound(bound, slope, shape, value, stage, segments, values_g_J, plane_of(shape, segments, cost, at, gradient, values_g_J.size))


def bound_at(problem: Problem, shape: Array, segments: IntArray, values_g_J: Array) -> Bound:
    """The lower bound for given segment values, over the whole window."""
    return lower_bound(problem, window_cells(problem), shape, segments, values_g_J)


def best_bound(problem: Problem, shape: Array, segments: IntArray, start_g_J: Array) -> Bound:
    """The largest lower bound over the segment values, by cutting planes.

    After the first steps the search looks at the points that matter around the best so far; what it finds is then evaluated on all
    of them, and sought among all of them where the bound stays lower there.
    """
    window = window_cells(problem)
    best = lower_bound(problem, window, shape, segments, np.asarray(start_g_J, float))
    if best.bound_g >= HUGE:
        return best
    several = start_g_J.size > 1
    share, radius = (SEVERAL_SEARCHED, SEVERAL_RADIUS) if several else (SEARCHED, RADIUS)
    if several:
        best = _climb(problem, window, [best], FIRST, radius)
    for times in range(ROUNDS):
        narrow = pruned(problem, best, reach_g(problem, best, share))
        tried = [lower_bound(narrow, window, shape, segments, best.values_g_J)]
        for search_by in (PARTS, WHOLES) if several else (WHOLES,):
            found = _climb(narrow, window, tried, search_by, radius * 0.25**times)
        whole = lower_bound(problem, window, shape, segments, found.values_g_J)
        best = max(best, whole, key=lambda b: b.bound_g)
        if found.bound_g - whole.bound_g < 10.0 * ENOUGH * abs(best.bound_g):
            return best
    return _climb(problem, window, [best], WHOLES, radius)


def _climb(problem: Problem, window: Window, tried: list[Bound], by: Search, radius: float) -> Bound:
    """Cutting planes from the bounds already found, in a box around the best one; those that are tried are put to the list."""
    best = max(tried, key=lambda b: b.bound_g)
    radius *= max(float(np.mean(best.values_g_J)), 1e-12)
    least = by.least_radius * radius
    ends_J = float(window.edge[0]), float(window.edge[-1])
    for _ in range(by.steps):
        values, promise = by.peak([t.plane for t in tried], best.plane, best.values_g_J, radius, ends_J)
        if promise - best.bound_g < ENOUGH * abs(best.bound_g) or radius < least:
            break
        trial = lower_bound(problem, window, best.shape, best.segments, values)
        tried.append(trial)
        if trial.bound_g - best.bound_g < 0.3 * (promise - best.bound_g):
            radius *= 0.5
        if trial.bound_g > best.bound_g:
            best = trial
    return best


def reach_g(problem: Problem, bound: Bound, share: float) -> float:
    """How far above the bound a trip is looked at that may cost ``share`` more [g]; on a trip of hours no further than in half an hour.

    What a long trip costs above the bound comes together from many places, and at none of them does it differ by more than there.
    """
    duration_s = float(problem.points.dt.sum())
    return share * max(abs(bound.bound_g), 1.0) * min(1.0, LONG_S / duration_s)


def pruned(problem: Problem, bound: Bound, slack_g: float) -> Problem:
    """The problem with only the points and changes through which a trip can cost less than the bound plus ``slack_g``.

    Nothing of an optimum is lost where the slack covers the distance to it; the final certificate is of the whole problem.
    """
    through, live = np.empty(problem.alive.shape), np.empty(problem.changes.stored.shape, bool)
    limit = float(bound.intercept_g[0, -1]) + slack_g
    arrive(bound.stage_g, problem.links, bound.costate_g_J, bound.intercept_g, limit, through, live)
    points = problem.points
    room = np.where(through <= limit, points.count, 0).sum(axis=1)
    begin = np.cumsum(room) - room
    count, kept = np.empty_like(points.count), np.full(int(room.sum()), -1)
    share_out(worth_points, points.dt.size, points, window_cells(problem), bound.costate_g_J, bound.stage_g, through, limit, begin, count,
              kept)
    index = kept[kept >= 0]
    first = (np.cumsum(count) - count.reshape(-1)).reshape(count.shape)
    narrow = Points(first, count, points.fuel[index], points.power[index], points.dt, points.burn)
    source = index if problem.source is None else problem.source[index]
    changes = problem.changes._replace(live=live)
    return replace(problem, points=narrow, changes=changes, alive=problem.alive & (count > 0), source=source)
