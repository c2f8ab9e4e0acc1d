"""Where the certificate is sought next: cutting planes over the segment values, segment by segment.

The bound is concave in the segment values, and an evaluation gives a plane above it. With one plane an evaluation, ever more would
be needed the more segments there are. But a segment's part of the bound depends on its own value alone, were it not for the states
at its borders, and between two segments stands the jump of the costate times stored energy, at whichever end of the window that is
less. So an evaluation gives a plane for every segment, and a linear program (HiGHS) puts the parts together.

A segment's planes need not all lie above its part, since other values may lead through other states at the borders. A plane that
passes below the part of the best evaluation is lifted to it. So the parts lead to the neighbourhood of the peak in a few steps, and
planes of whole evaluations, which hold but for what is taken off for the bend of the battery's losses, from there on. A promise may be
wrong, the bound that is evaluated never.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ems.types import Array, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Jumps:
    """Where the costate jumps: (J,) segments before and after, and the costate on both sides over the segment value."""

    before: IntArray
    after: IntArray
    shape_before: Array
    shape_after: Array

    def fall(self, values_g_J: Array) -> Array:
        """(J,) costate before less costate after [g/J]."""
        return self.shape_before * values_g_J[self.before] - self.shape_after * values_g_J[self.after]

    def by_value(self, segments: int) -> Array:
        """(J, S) derivative of the fall by the segment values."""
        out, jump = np.zeros((self.before.size, segments)), np.arange(self.before.size)
        out[jump, self.before], out[jump, self.after] = self.shape_before, -self.shape_after
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Plane:
    """What one evaluation says of the bound at other segment values: cost + energy * value of every segment, and the jumps between.

    cost_g, energy_J : (S,)      jump_J : (J,) stored energy at every jump, from the target
    """

    cost_g: Array
    energy_J: Array
    jump_J: Array
    jumps: Jumps

    def parts_g(self, values_g_J: Array) -> Array:
        """(S,) part of every segment at other values."""
        return self.cost_g + self.energy_J * values_g_J


def plane_of(shape: Array, segments: IntArray, cost_g: Array, at_J: Array, gradient_J: Array, size: int) -> Plane:
    """The plane of a schedule.

    shape, segments : (K + 1,) of the bound      cost_g, at_J : (K,), gradient_J : (K + 1,) of ``bound_course``      size : segments
    """
    k = np.flatnonzero(np.diff(segments))
    own = gradient_J.copy()
    own[k] -= at_J[k]                       # the energy at a jump belongs to the jump
    own[k + 1] += at_J[k]
    cost: Array = np.bincount(segments[:-1], weights=cost_g, minlength=size).astype(float)
    energy: Array = np.bincount(segments, weights=own * shape, minlength=size).astype(float)
    return Plane(cost, energy, at_J[k], Jumps(segments[k], segments[k + 1], shape[k], shape[k + 1]))


Peak = Callable[[list[Plane], Plane, Array, float, tuple[float, float]], tuple[Array, float]]


def peak_of_parts(planes: list[Plane], best: Plane, values_g_J: Array, radius: float, ends_J: tuple[float, float]) -> tuple[Array, float]:
    """Values of several segments at which the planes, segment by segment, promise most, and how much that is [g].

    best : one of the planes, found at ``values_g_J``      radius : how far from there one may go      ends_J : window, from the target
    Where the solver finds none, the values as they are and no promise.
    """
    jumps, best_parts = best.jumps, best.parts_g(values_g_J)
    S, J = values_g_J.size, jumps.before.size
    fall, falls = radius * jumps.by_value(S), jumps.fall(values_g_J)
    rows, right = [], []                    # of the unknowns: (S,) steps over the radius, (S,) parts, (J,) worth of the jumps
    for end in ends_J:                      # the worth of a jump is its fall times stored energy, at either end
        rows.append(np.hstack([-end * fall, np.zeros((J, S)), np.eye(J)]))
        right.append(end * falls)
    for plane in planes:
        parts = plane.parts_g(values_g_J)
        rows.append(np.hstack([-radius * np.diag(plane.energy_J), np.eye(S), np.zeros((S, J))]))
        right.append(np.maximum(parts, best_parts))
        rows.append(np.hstack([-radius * plane.energy_J - plane.jump_J @ fall, np.ones(S + J)])[None])
        right.append(np.array([parts.sum() + plane.jump_J @ falls]))
    return _box_peak(np.append(np.zeros(S), np.ones(S + J)), np.vstack(rows), np.concatenate(right), values_g_J, radius)


def peak_of_wholes(planes: list[Plane], best: Plane, values_g_J: Array, radius: float, ends_J: tuple[float, float]) -> tuple[Array, float]:
    """The same with one plane an evaluation, all segments together, and for a single segment."""
    S = values_g_J.size
    by_value = best.jumps.by_value(S)
    slopes = np.array([p.energy_J + p.jump_J @ by_value for p in planes])
    heights = np.array([p.parts_g(values_g_J).sum() + p.jump_J @ best.jumps.fall(values_g_J) for p in planes])
    if S == 1:
        step, most = _line_peak(slopes[:, 0], heights, max(-values_g_J[0], -radius), radius)
        return values_g_J + step, most
    rows = np.column_stack([-radius * slopes, np.ones(len(planes))])
    return _box_peak(np.append(np.zeros(S), 1.0), rows, heights, values_g_J, radius)


def _line_peak(slopes: Array, heights: Array, low: float, high: float) -> tuple[float, float]:
    """Where the lowest of some lines is highest between two ends: an end, or where two lines cross."""
    with np.errstate(divide="ignore", invalid="ignore"):
        crossings = (heights[None, :] - heights[:, None]) / (slopes[:, None] - slopes[None, :])
    x = np.concatenate([[low, high], crossings[np.isfinite(crossings)]])
    x = x[(x >= low) & (x <= high)]
    lowest = (heights[:, None] + slopes[:, None] * x).min(axis=0)
    return float(x[int(np.argmax(lowest))]), float(lowest.max())


def _box_peak(gain: Array, rows: Array, right: Array, values_g_J: Array, radius: float) -> tuple[Array, float]:
    """Most of ``gain``, the first unknowns being the steps of the segment values over the radius."""
    from scipy.optimize import linprog

    S = values_g_J.size
    low = np.maximum(-values_g_J / radius, -1.0)
    bounds = [*((value, 1.0) for value in low), *[(None, None)] * (gain.size - S)]
    result = linprog(-gain, A_ub=rows, b_ub=right, bounds=bounds, method="highs")
    if not result.success or result.x is None:
        return values_g_J, -np.inf
    return values_g_J + result.x[:S] * radius, float(gain @ result.x)
