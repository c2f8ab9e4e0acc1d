"""The division of a torque between machines: the inner dimensions of the box, minimised before anything else."""

from __future__ import annotations

import math

from ems.kernels.jit import SECOND, compiled, compiled_inline, compiled_inner, compiled_within
from ems.kernels.plant import DRAGGED, Cut, judged_power, set_line, set_torques, set_torques_on_line, terminal_power

GOLDEN = 0.6180339887498949
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


@compiled_inline
def _least_between(left: float, P_left: float, low: float, P_low: float, high: float, P_high: float, right: float,
                   P_right: float) -> tuple[float, float]:
    """Where between low and high, the lower of the two, a convex function can be least, and a bound on it there.

    left < low < high < right with their values (inf: not known or not possible). No convex function lies below its chords continued:
    where both are known, they cross at the place and the bound. A place is told exactly where the function has one corner.
    """
    if low == high:
        return low, P_low
    falls, rises = P_left < math.inf, P_high < math.inf and P_right < math.inf
    down = (P_low - P_left) / (low - left) if falls else 0.0
    up = (P_right - P_high) / (right - high) if rises else 0.0
    if falls and rises:
        if up <= down:
            return high, P_low
        T = min(max(low + (P_high - P_low - up * (high - low)) / (down - up), low), high)
        return T, P_low + down * (T - low)
    bound = -math.inf
    if falls:
        bound = P_low + down * (high - low)
    elif rises:
        bound = P_high - up * (high - low)
    return 0.5 * (low + high), bound


@compiled_within
def _inner_line(cut: Cut, i: int, j: int, ratio: float, points: int, steps: int, share: float) -> float:
    """Least terminal power over inner torque i while j changes ``ratio`` times as much, the others fixed; leaves the best choice in
    ``cut.x``.

    An even scan and no torque at all, then corners: losses are linear between the knots of maps and the reversals of power flow, and so
    is the power. The best point so far and two on each side of it tell where the next corner can lie, and how much lower at most. One
    loop, to compile the plant in once.
    share : of the range on each side of the torque that stands in ``cut.x`` is searched; 0: all of it
    """
    column, other = 2 + i, 2 + j
    here = cut.x[column]
    start = cut.x[other] - ratio * here
    low, high = _line_range(cut, column, other, ratio)
    if low > high:
        return math.inf
    step, small = (high - low) / max(points - 1, 1), CORNER * (high - low)
    if share > 0.0:
        here, wide = min(max(here, low), high), share * (high - low)
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
    a = b = -math.inf                               # a < b < best < c < d: the best and its neighbours
    c = d = math.inf
    P_a = P_b = P_c = P_d = best_P = math.inf
    best = math.nan
    for q in range(points + 3 + steps):
        if q < points:
            T = low + q * step
        elif q == points:
            T = here
        elif best_P == math.inf:
            best = here
            break
        elif q == points + 1:
            T = best + small
        elif q == points + 2:
            T = best - small
        else:
            T, P_above = (high, -math.inf) if c == math.inf else _least_between(b, P_b, best, best_P, c, P_c, d, P_d)
            below, P_below = (low, -math.inf) if b == -math.inf else _least_between(-c, P_c, -best, best_P, -b, P_b, -a, P_a)
            if best >= high:
                P_above = math.inf
            if best <= low:
                P_below = math.inf
            if P_below < P_above:
                T = -below if b > -math.inf else low
            if min(P_above, P_below) > best_P - PRECISION_W:
                break
        if T < low or T > high or T == b or T == best or T == c:
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
        if best_P == math.inf:
            if P < math.inf:
                best, best_P = T, P
        elif P < best_P:
            if T > best:
                if T > c:
                    a, P_a, b, P_b, c, P_c, d, P_d = best, best_P, c, P_c, math.inf, math.inf, math.inf, math.inf
                else:
                    a, P_a, b, P_b = b, P_b, best, best_P
            elif T < b:
                d, P_d, c, P_c, b, P_b, a, P_a = best, best_P, b, P_b, -math.inf, math.inf, -math.inf, math.inf
            else:
                d, P_d, c, P_c = c, P_c, best, best_P
            best, best_P = T, P
        elif T > c:
            if T < d:
                d, P_d = T, P
        elif T > best:
            d, P_d, c, P_c = c, P_c, T, P
        elif T > b:
            a, P_a, b, P_b = b, P_b, T, P
        elif T > a:
            a, P_a = T, P
    cut.x[column] = best
    if ratio != 0.0:
        cut.x[other] = start + ratio * best
    return best_P


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
        turns = 1 if count == 1 else TURNS
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
