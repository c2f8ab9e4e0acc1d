"""Certificate: a lower bound of the optimum of the tabulated problem, from values a_k(node) - lambda_k e.

Any value that never exceeds stage cost plus next value, at every energy of the window, bounds the optimum from below at the
start. The slopes lambda follow a good trajectory and may jump where the window binds; the bound is concave in the segment values.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ems.kernels.changes import HUGE
from ems.kernels.jit import share_out
from ems.kernels.sweep import Points, Window, arrive, bound_gradient, chain, stage_over_window, worth_points
from ems.solve.problem import Problem
from ems.types import Array, IntArray

CELLS = 24
SEARCHED = 0.0005    # distance from the bound, relative, within which points are looked at while its values are sought


@dataclass(frozen=True, slots=True, eq=False)
class Bound:
    """A lower bound and the affine values that prove it.

    bound_g : lower bound of the optimum                      costate_g_J : (K + 1,) slopes, shape times segment value
    intercept_g : (K + 1, S + 1) a_k of every state, energies from the target (last column from rest)
    stage_g : (K, N) stage bounds        segments : (K + 1,) segment of each slope        values_g_J : slope of each segment at its end
    gradient_J : d bound / d segment value
    """

    bound_g: float
    costate_g_J: Array
    shape: Array
    intercept_g: Array
    stage_g: Array
    segments: IntArray
    values_g_J: Array
    gradient_J: Array


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
    gradient = np.zeros(K + 1)
    if bound < HUGE:
        bound_gradient(problem.points, problem.plant.battery, problem.links, slope, pick, where, follow, start, problem.target_J,
                       gradient)
    per_segment: Array = np.bincount(segments, weights=gradient * shape, minlength=values_g_J.size).astype(float)
    return Bound(bound, slope, shape, value, stage, segments, values_g_J, per_segment)


def best_bound(problem: Problem, shape: Array, segments: IntArray, start_g_J: Array, evaluations: int) -> Bound:
    """The largest lower bound over the segment values: cutting planes in a box around the best so far.

    The search looks at the points that matter around its start; what it finds is then evaluated on all of them, and sought among
    all of them where the bound is much lower there.
    """
    window = window_cells(problem)
    first = lower_bound(problem, window, shape, segments, np.asarray(start_g_J, float))
    if evaluations < 2 or first.bound_g >= HUGE:
        return first
    narrow = pruned(problem, first, SEARCHED * max(abs(first.bound_g), 1.0))
    found = _climb(narrow, window, [first], evaluations)
    whole = lower_bound(problem, window, shape, segments, found.values_g_J)
    if found.bound_g - whole.bound_g > SEARCHED * max(abs(first.bound_g), 1.0):    # what was left out matters there
        return _climb(problem, window, [first, whole], evaluations)
    return max(first, whole, key=lambda b: b.bound_g)


def _climb(problem: Problem, window: Window, tried: list[Bound], evaluations: int) -> Bound:
    """Cutting planes from the bounds already found."""
    best = max(tried, key=lambda b: b.bound_g)
    radius = 0.02 if best.values_g_J.size == 1 else 0.15
    scale = max(float(np.mean(best.values_g_J)), 1e-12)
    for _ in range(evaluations - 1):
        values, promise = _proposal(tried, best, radius * scale)
        if promise - best.bound_g < 3e-6 * abs(best.bound_g):
            break
        trial = lower_bound(problem, window, best.shape, best.segments, values)
        tried.append(trial)
        if trial.bound_g - best.bound_g < 0.3 * (promise - best.bound_g):
            radius *= 0.5
        if trial.bound_g > best.bound_g:
            best = trial
    return best


def _proposal(tried: list[Bound], best: Bound, radius: float) -> tuple[Array, float]:
    """Where the cutting planes promise most within the box, and how much."""
    rows = np.array([t.gradient_J for t in tried])
    right = np.array([t.bound_g - best.bound_g - t.gradient_J @ (t.values_g_J - best.values_g_J) for t in tried])
    low = np.maximum(-best.values_g_J, -radius)
    step, gain = _line_peak(rows[:, 0], right, low[0], radius) if best.values_g_J.size == 1 else _box_peak(rows, right, low, radius)
    return best.values_g_J + step, best.bound_g + gain


def _line_peak(slopes: Array, offsets: Array, low: float, high: float) -> tuple[Array, float]:
    """Where the lowest of some lines is highest between two ends: an end, or where two lines cross."""
    with np.errstate(divide="ignore", invalid="ignore"):
        crossings = (offsets[None, :] - offsets[:, None]) / (slopes[:, None] - slopes[None, :])
    x = np.concatenate([[low, high], crossings[np.isfinite(crossings)]])
    x = x[(x >= low) & (x <= high)]
    lowest = (offsets[:, None] + slopes[:, None] * x).min(axis=0)
    return x[[int(np.argmax(lowest))]], float(lowest.max())


def _box_peak(gradients: Array, offsets: Array, low: Array, radius: float) -> tuple[Array, float]:
    """Where the lowest of some planes is highest inside a box (HiGHS); no step where the solver finds none."""
    from scipy.optimize import linprog

    size, scale = low.size, radius
    rows = np.column_stack([-gradients * scale, np.ones(len(gradients))])
    box = [(value / scale, 1.0) for value in low]
    result = linprog(np.append(np.zeros(size), -1.0), A_ub=rows, b_ub=offsets, bounds=[*box, (None, None)], method="highs")
    if not result.success or result.x is None:
        return np.zeros(size), 0.0
    return result.x[:size] * scale, float(result.x[size])


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
