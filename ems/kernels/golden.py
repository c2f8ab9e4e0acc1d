"""Golden-section search in steps: whatever is searched stands in one place of a loop, and is compiled in once.

    g = bracket(low, high)
    for _ in range(steps):
        x = wanted(g)
        g = told(g, what(x))

Of equals the lower side is kept, also of two that are inf.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from ems.kernels.jit import compiled_inner

GOLDEN = 0.6180339887498949


class Bracket(NamedTuple):
    """Ends a and b, inner points c < d, and the values there; nan: not told yet."""

    a: float
    b: float
    c: float
    d: float
    at_c: float
    at_d: float


@compiled_inner
def bracket(a: float, b: float) -> Bracket:
    """Search from a to b, nothing told."""
    return Bracket(a, b, b - GOLDEN * (b - a), a + GOLDEN * (b - a), math.nan, math.nan)


@compiled_inner
def wanted(g: Bracket) -> float:
    """The inner point whose value is to be told next."""
    return g.c if math.isnan(g.at_c) else g.d


@compiled_inner
def told(g: Bracket, value: float) -> Bracket:
    """The search with the value of the point wanted; once both inner points have theirs, without the end beside the worse one."""
    at_c, at_d = (value, g.at_d) if math.isnan(g.at_c) else (g.at_c, value)
    if math.isnan(at_c) or math.isnan(at_d):
        return Bracket(g.a, g.b, g.c, g.d, at_c, at_d)
    if at_c <= at_d:
        return Bracket(g.a, g.d, g.d - GOLDEN * (g.d - g.a), g.c, math.nan, at_c)
    return Bracket(g.c, g.b, g.d, g.c + GOLDEN * (g.b - g.c), at_d, math.nan)
