"""SAE J2841 (2010): utility factors from the travel survey of the United States, by miles from full charge."""

from __future__ import annotations

from ems.regulations.figures import ChargeRuns, Text, Weighted
from ems.regulations.utility import utility_factor, weighted_by_utility

KM_PER_MILE = 1.609344
NORMALISED_MILES = 399.9
FLEET = (10.52, -7.282, -26.37, 79.08, -77.36, 26.07)
INDIVIDUAL = (13.1, -18.7, 5.22, 8.15, 3.53, -1.34, -4.01, -3.90, -1.15, 3.88)
"""Coefficients of the fleet and of the multi-day individual utility factor (from memory).

The individual one's normalised distance stands second-hand as 399 miles: at 40 miles that moves it by 0.1 %.
"""

TEXT = Text(
    "SAE J2841",
    (
        ("fleet utility factor", "share of all miles, for fleets: the polynomial to 399.9 miles"),
        ("multi-day individual utility factor", "mean of the drivers' own shares: the polynomial to 399.9 miles"),
        ("SAE J1711", "weighting of whole cycles or phases from full charge, by what the utility factor gains in each"),
    ),
    ("separate city and highway factors", "the 55/45 mean of city and highway, and the adjustments of a fuel economy label",
     "the end-of-test criterion of SAE J1711; the depleting sequence here ends by that of UN GTR 15"),
    "coefficients from memory",
    "SAE J2841 and SAE J1711 as published by SAE International",
)


def fleet(distance_km: float) -> float:
    """Fleet utility factor."""
    return utility_factor(distance_km / KM_PER_MILE, FLEET, NORMALISED_MILES)


def individual(distance_km: float) -> float:
    """Multi-day individual utility factor."""
    return utility_factor(distance_km / KM_PER_MILE, INDIVIDUAL, NORMALISED_MILES)


def weighted_fleet(tested: ChargeRuns) -> Weighted:
    """Figures weighted by the fleet utility factor."""
    return weighted_by_utility(tested, fleet)


def weighted_individual(tested: ChargeRuns) -> Weighted:
    """Figures weighted by the multi-day individual utility factor."""
    return weighted_by_utility(tested, individual)
