"""The division of a torque between machines: the inner dimensions of the box, minimised before anything else."""

from __future__ import annotations

import math

from ems.kernels.jit import SECOND, compiled, compiled_inner, compiled_within
from ems.kernels.plant import DRAGGED, Cut, judged_power, set_line, set_torques, set_torques_on_line, terminal_power

GOLDEN = 0.6180339887498949


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


@compiled_within
def _inner_line(cut: Cut, i: int, points: int, steps: int, near: bool) -> float:
    """Least terminal power over inner torque i, the others fixed; leaves the best choice in ``cut.x``.

    An even scan (and no torque at all), then golden section around the best: one loop, to compile the plant in once.
    near : only around the torque that stands in ``cut.x``
    """
    column = 2 + i
    here = cut.x[column]
    peak = cut.limit[cut.inner_source[i]]
    low, high = torque_range(cut, column, -peak, peak)
    if low > high:
        return math.inf
    step = (high - low) / max(points - 1, 1)
    if near:
        here = min(max(here, low), high)
        low, high, points = max(low, here - step), min(high, here + step), 0
    else:
        here = min(max(0.0, low), high)
    cut.x[column] = here
    set_torques(cut)
    set_line(cut, column)
    best_P, best = math.inf, 0.0
    a = b = c = d = P_c = P_d = 0.0
    for q in range(points + 3 + steps):
        if q < points:
            T = low + q * step
        elif q == points:
            T = here
        elif q == points + 1:
            if best_P == math.inf:
                return math.inf
            a, b = max(low, best - step), min(high, best + step)
            c, d = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
            T = c
        elif q == points + 2:
            T = d
        elif P_c <= P_d:
            b, d, P_d = d, c, P_c
            c = b - GOLDEN * (b - a)
            T = c
        else:
            a, c, P_c = c, d, P_d
            d = a + GOLDEN * (b - a)
            T = d
        P = math.inf
        if set_torques_on_line(cut, column, T):
            P, _ = judged_power(cut)
        if P < best_P:
            best_P, best = P, T
        if q > points:
            if T == c:
                P_c = P
            else:
                P_d = P
    cut.x[column] = best
    return best_P


@compiled
def best_division(cut: Cut, Tw: float, Te: float, points: int, steps: int, near: bool) -> float:
    """Least terminal power at wheel torque Tw and engine torque Te (inf: none); inputs and torques stay in the cut.

    near : look only around the division that stands in the cut
    """
    cut.x[0], cut.x[1] = Tw, cut.engine_torque if cut.mode == DRAGGED else Te
    count = cut.inner_source.size
    if count > 0:
        if not near:
            for i in range(count):
                cut.x[2 + i] = 0.0
        best = math.inf
        for _ in range(1 if count == 1 else 4):     # coordinate descent; losses are nearly separable in the machines
            previous = best
            for i in range(count):
                best = min(best, _inner_line(cut, i, points, steps, near))
            if best == math.inf or previous - best <= 1e-6 * abs(best):
                break
    P, _ = terminal_power(cut)
    return P
