"""The division of a torque between machines: the inner dimensions of the box, minimised before anything else."""

from __future__ import annotations

import math
from typing import NamedTuple

from ems.kernels.jit import SECOND, compiled, compiled_inline, compiled_inner, compiled_within
from ems.kernels.plant import DRAGGED, Cut, judged_power, set_line, set_torques, set_torques_on_line, terminal_power

CORNER = 1e-5           # share of a range beside a point at which a slope is told
PRECISION_W = 0.02      # terminal power that a better division may still save
NEAR = 0.06             # share of a range in which later rounds search
TURNS = 8               # rounds of lines where more than one torque is divided


@compiled_inner
def torque_range(cut: Cut, column: int, low: float, high: float) -> tuple[float, float]:
    """Part of [low, high] of one input torque in which no machine exceeds its peak, from the balance at the present directions.

    The other inputs as they stand in the cut; the input itself is left inside the range.
    """
    lo, hi = low, high
    middle = min(max(0.0, low), high)
    for _ in range(2):
        lo, hi = low, high
        cut.x[column] = middle
        set_torques(cut)
        pattern = cut.pattern[0]
        for m in range(1, cut.speed.size):
            gain = cut.maps[pattern, m, column]
            if gain == 0.0:
                continue
            base = cut.out[m] - gain * middle
            least, most = -cut.limit[m], cut.limit[m]
            if not cut.drives[m - 1]:
                least, most = (least, 0.0) if cut.speed[m] >= 0.0 else (0.0, most)
            a, b = (least - base) / gain, (most - base) / gain
            lo, hi = max(lo, min(a, b)), min(hi, max(a, b))
        middle = min(max(0.5 * (lo + hi), low), high)
    return lo, hi


@compiled_inner
def engine_range(cut: Cut, Tw: float) -> tuple[float, float]:
    """Range of the engine's torque at a wheel torque in which the machines can make up the difference."""
    if cut.inner_source.size > 0:
        return 0.0, cut.limit[0]
    cut.x[0] = Tw
    return torque_range(cut, SECOND, 0.0, cut.limit[0])


@compiled_inline
def _slant(cut: Cut, column: int, other: int, ratio: float) -> None:
    """Tilts the line that was noted in one input: another input changes ``ratio`` times as much."""
    pattern = cut.pattern[0]
    for r in range(cut.out.size):
        cut.gain[r] += ratio * cut.maps[pattern, r, other]
        cut.base[r] = cut.out[r] - cut.gain[r] * cut.x[column]


@compiled_inline
def _limit(cut: Cut, q: int) -> tuple[int, float, float]:
    """The q-th limit on an output, machines first, then loads of joints, then axles: row of the outputs, least and most of it [N m]."""
    machines, joints = cut.speed.size - 1, cut.load_joint.size
    if q < machines:
        least, most = -cut.limit[q + 1], cut.limit[q + 1]
        if not cut.drives[q]:
            least, most = (least, 0.0) if cut.speed[q + 1] >= 0.0 else (0.0, most)
        return q + 1, least, most
    q -= machines
    if q < joints:
        first, second = cut.load_limit[q, 1] / cut.load_limit[q, 0], cut.load_limit[q, 2] / cut.load_limit[q, 0]
        return machines + 2 + cut.load_joint[q], min(first, second), max(first, second)
    return machines + 2 + cut.axle_joint[q - joints], -math.inf, -cut.axle_least[q - joints]


@compiled_inner
def _line_range(cut: Cut, column: int, other: int, ratio: float) -> tuple[float, float]:
    """Range of an input in which machines, loads and axles keep to their limits while another changes ``ratio`` times as much.

    From the directions of power flow here, then from those in the middle of what was found. The inputs stay as they are.
    """
    here, there = cut.x[column], cut.x[other]
    low = high = 0.0
    for _ in range(2):
        set_torques(cut)
        set_line(cut, column)
        if ratio != 0.0:
            _slant(cut, column, other, ratio)
        low, high = -math.inf, math.inf
        for q in range(cut.speed.size - 1 + cut.load_joint.size + cut.axle_joint.size):
            r, least, most = _limit(cut, q)
            if cut.gain[r] != 0.0:
                first, second = (least - cut.base[r]) / cut.gain[r], (most - cut.base[r]) / cut.gain[r]
                low, high = max(low, min(first, second)), min(high, max(first, second))
        cut.x[column] = 0.5 * (low + high)
        if ratio != 0.0:
            cut.x[other] = there + ratio * (cut.x[column] - here)
    cut.x[column], cut.x[other] = here, there
    return low, high


class Around(NamedTuple):
    """The best point of a search along a line and two points on each side of it, a < b < best < c < d (infinite: none yet).

    P_a .. P_d, P_best : terminal power there [W], inf: not possible
    """

    a: float
    P_a: float
    b: float
    P_b: float
    best: float
    P_best: float
    c: float
    P_c: float
    d: float
    P_d: float


@compiled_inline
def _noted(k: Around, T: float, P: float) -> Around:
    """The points with one more, none of them twice."""
    left, right = -math.inf, math.inf
    if k.P_best == math.inf:
        if P < math.inf:
            return Around(left, math.inf, left, math.inf, T, P, right, math.inf, right, math.inf)
    elif P < k.P_best:
        if T > k.c:
            return Around(k.best, k.P_best, k.c, k.P_c, T, P, right, math.inf, right, math.inf)
        if T > k.best:
            return Around(k.b, k.P_b, k.best, k.P_best, T, P, k.c, k.P_c, k.d, k.P_d)
        if T > k.b:
            return Around(k.a, k.P_a, k.b, k.P_b, T, P, k.best, k.P_best, k.c, k.P_c)
        return Around(left, math.inf, left, math.inf, T, P, k.b, k.P_b, k.best, k.P_best)
    elif T > k.best:
        if T < k.c:
            return Around(k.a, k.P_a, k.b, k.P_b, k.best, k.P_best, T, P, k.c, k.P_c)
        if T < k.d:
            return Around(k.a, k.P_a, k.b, k.P_b, k.best, k.P_best, k.c, k.P_c, T, P)
    elif T > k.b:
        return Around(k.b, k.P_b, T, P, k.best, k.P_best, k.c, k.P_c, k.d, k.P_d)
    elif T > k.a:
        return Around(T, P, k.b, k.P_b, k.best, k.P_best, k.c, k.P_c, k.d, k.P_d)
    return k


@compiled_inline
def _least_between(left: float, P_left: float, low: float, P_low: float, high: float, P_high: float, right: float,
                   P_right: float) -> tuple[float, float]:
    """Where between low and high a convex function can be least, and a bound on it there; low is the lower of the two.

    left < low < high < right. No convex function lies below its chords continued: where both chords are known, they cross at the place
    and the bound, and where the function has one corner, that is it.
    """
    falls, rises = P_left < math.inf, P_high < math.inf and P_right < math.inf
    down = (P_low - P_left) / (low - left) if falls else 0.0
    up = (P_right - P_high) / (right - high) if rises else 0.0
    if falls and rises:
        if up <= down:
            return high, P_low
        T = min(max(low + (P_high - P_low - up * (high - low)) / (down - up), low), high)
        return T, P_low + down * (T - low)
    bound = P_low + down * (high - low) if falls else P_high - up * (high - low) if rises else -math.inf
    return 0.5 * (low + high), bound


@compiled_inline
def _next_corner(k: Around, low: float, high: float) -> tuple[float, float]:
    """Where in [low, high] the least power is to be looked for next, and a bound on it (inf: nowhere)."""
    T = below = math.nan
    P_above = P_below = math.inf
    if k.best < high:
        T, P_above = (high, -math.inf) if k.c == math.inf else _least_between(k.b, k.P_b, k.best, k.P_best, k.c, k.P_c, k.d, k.P_d)
    if k.best > low:
        below, P_below = (-low, -math.inf) if k.b == -math.inf else _least_between(-k.c, k.P_c, -k.best, k.P_best, -k.b, k.P_b, -k.a, k.P_a)
    return (-below, P_below) if P_below < P_above else (T, P_above)


@compiled_within
def _inner_line(cut: Cut, i: int, j: int, ratio: float, points: int, steps: int, share: float) -> float:
    """Least terminal power over inner torque i while j changes ``ratio`` times as much; leaves the best choice in ``cut.x``.

    An even scan and no torque at all, then corners: losses are linear between the knots of maps and the reversals of power flow, so the
    power is least at one of them. One loop, to compile the plant in once.
    share : of the range on each side of the torque that stands in ``cut.x`` is searched; 0: all of it
    """
    column, other = 2 + i, 2 + j
    here = cut.x[column]
    start = cut.x[other] - ratio * here
    low, high = _line_range(cut, column, other, ratio)
    if low > high:
        return math.inf
    step, small, wide = (high - low) / max(points - 1, 1), CORNER * (high - low), share * (high - low)
    if share > 0.0:
        here = min(max(here, low), high)
        low, high, points = max(low, here - wide), min(high, here + wide), 0
    else:
        here = min(max(0.0, low), high)
    cut.x[column] = here
    if ratio != 0.0:
        cut.x[other] = start + ratio * here
    set_torques(cut)
    set_line(cut, column)
    if ratio != 0.0:
        _slant(cut, column, other, ratio)
    k = Around(-math.inf, math.inf, -math.inf, math.inf, math.nan, math.inf, math.inf, math.inf, math.inf, math.inf)
    for q in range(points + 3 + steps):
        if q < points:
            T = low + q * step
        elif q == points:
            T = here
        elif k.P_best == math.inf:
            break
        elif q < points + 3:
            T = k.best + small if q == points + 1 else k.best - small
        else:
            T, P_least = _next_corner(k, low, high)
            if P_least > k.P_best - PRECISION_W:
                break
        if T < low or T > high or T in (k.b, k.best, k.c):
            continue
        P = math.inf
        pattern = cut.pattern[0]
        if ratio != 0.0:
            cut.x[other] = start + ratio * T
        settled = set_torques_on_line(cut, column, T)
        if ratio != 0.0 and cut.pattern[0] != pattern:
            _slant(cut, column, other, ratio)
        if settled:
            P, _ = judged_power(cut)
        k = _noted(k, T, P)
    cut.x[column] = k.best if k.P_best < math.inf else here
    if ratio != 0.0:
        cut.x[other] = start + ratio * cut.x[column]
    return k.P_best


@compiled_inline
def _exchange(cut: Cut, i: int, j: int) -> float:
    """How much inner torque j changes with i where the machine that makes up the difference does nothing more (0: no such machine)."""
    pattern = cut.pattern[0]
    for m in range(1, cut.speed.size):
        a, b = cut.maps[pattern, m, 2 + i], cut.maps[pattern, m, 2 + j]
        if a != 0.0 and b != 0.0:
            return -a / b
    return 0.0


@compiled
def best_division(cut: Cut, Tw: float, Te: float, points: int, steps: int, near: bool) -> float:
    """Least terminal power at wheel torque Tw and engine torque Te (inf: none); inputs and torques stay in the cut.

    Lines in turn: each torque alone, and each pair against one another so that the machine that makes up the difference stays as it
    is. At a corner of the losses, where no torque alone is better, another pair of torques can be.
    near : look only around the division that stands in the cut
    """
    cut.x[0], cut.x[1] = Tw, cut.engine_torque if cut.mode == DRAGGED else Te
    count = cut.inner_source.size
    if count > 0:
        best = math.inf
        turns = 1 if count == 1 or steps == 0 else TURNS
        for turn in range(turns):
            if turn == 0 and not near:
                for i in range(count):
                    cut.x[2 + i] = 0.0
            previous = best
            i = j = 0
            for _ in range(count * (count + 1) // 2):
                ratio = _exchange(cut, i, j) if i != j else 0.0
                share = 0.0 if turn == 0 and i == j and not near else 1.0 / max(points - 1, 1) if turn == 0 else NEAR
                if i == j or (ratio != 0.0 and best < math.inf):
                    best = min(best, _inner_line(cut, i, j, ratio, points, steps, share))
                i, j = (i + 1, j + 1) if j + 1 < count else (0, j - i + 1)
            if best == math.inf or previous - best <= PRECISION_W:
                break
    P, _ = terminal_power(cut)
    return P
