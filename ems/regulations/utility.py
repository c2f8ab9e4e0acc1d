"""Utility factors: the share of all driving that falls within a distance from full charge.

All texts here share one form, ``UF(d) = 1 - exp(-sum_i C_i (d / d_n)^i)``, i from 1. Beyond d_n, where the polynomial is not
meant, the value at d_n holds.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence

from ems.regulations.figures import ChargeRuns, Weighted, figures_of, mixed

Utility = Callable[[float], float]


def utility_factor(distance_km: float, coefficients: Sequence[float], normalised_km: float) -> float:
    """Share of driving within ``distance_km`` of full charge, 0 to 1."""
    x = min(max(distance_km / normalised_km, 0.0), 1.0)
    return 1.0 - math.exp(-sum(c * x**i for i, c in enumerate(coefficients, 1)))


def increments(ends_km: Sequence[float], utility: Utility) -> list[float]:
    """Utility factor of each part, from the distances at the parts' ends: what its end adds to the end before."""
    totals = [0.0, *(utility(d) for d in ends_km)]
    return [b - a for a, b in itertools.pairwise(totals)]


def weighted_by_utility(tested: ChargeRuns, utility: Utility) -> Weighted:
    """``sum_j UF_j X_j + (1 - sum_j UF_j) X_sustaining`` over the phases to the end of the transition cycle.

    Electricity has the first sum only: nothing is recharged for sustained charge. The form is from memory.
    """
    parts = [p for cycle in tested.depleting for p in cycle]
    ends, at = [], 0.0
    for part in parts:
        at += part.distance_km
        ends.append(at)
    factors = increments(ends, utility)
    share = sum(factors)
    driven = [(f, p) for f, p in zip(factors, parts, strict=True) if p.distance_km > 0.0]
    rows = [(f, figures_of([p])) for f, p in driven]
    return Weighted(mixed([*rows, (1.0 - share, tested.sustaining)]), share, at)
