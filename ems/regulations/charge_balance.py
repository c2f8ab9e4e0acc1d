"""Correction of a charge-sustaining test for the change of the battery's energy (UN GTR 15, Annex 8, Appendix 2).

Rule read in Regulation (EU) 2017/1151, Annex XXI, Sub-Annex 8; thresholds from memory. Electric consumption counts positive where the
battery has lost energy; the text in force decides on signs and on how tests are picked.
"""

from __future__ import annotations

from collections.abc import Sequence

from ems.regulations.figures import Text

THRESHOLDS = {"low and medium": 0.015, "to high": 0.010, "to extra high": 0.005}
"""Share of the fuel's energy above which a loss of electric energy must be corrected, by the phases driven (from memory)."""

LEAST_TESTS = 5
"""Tests a regression needs (Appendix 2, para. 2.2; from memory)."""

TEXT = Text(
    "Charge balance",
    (
        ("Annex 8, Appendix 2, para. 1.2 and Table A8.App2/1", "when a correction is due"),
        ("Annex 8, Appendix 2, para. 2", "coefficient of fuel and of carbon dioxide by least squares; corrected figures"),
    ),
    ("coefficients of each phase", "the conditions on which tests may enter a regression, but their least number",
     "the choice, open to a manufacturer, not to correct"),
    "rule read, thresholds from memory",
    "Regulation (EU) 2017/1151 as amended, or UN Regulation No. 154 as published by the UNECE",
)


def due(lost_J: float, fuel_energy_J: float, phases: str = "to extra high") -> bool:
    """Whether a test must be corrected: the battery has lost more than the threshold's share of the fuel's energy."""
    return lost_J > 0.0 and lost_J > THRESHOLDS[phases] * fuel_energy_J


def coefficient(electric: Sequence[float], consumption: Sequence[float]) -> float:
    """K, the least-squares slope of consumption on electric consumption.

    electric, consumption : (n,) of n tests, in any units; the slope has the quotient of them
    Raises ``ValueError`` for fewer than ``LEAST_TESTS`` tests, or tests that all have the same electric consumption.
    """
    n = len(electric)
    if n < LEAST_TESTS or n != len(consumption):
        raise ValueError(f"{n} and {len(consumption)} values; {LEAST_TESTS} tests at least, one value each, make a regression")
    sum_x, sum_y = sum(electric), sum(consumption)
    spread = n * sum(x * x for x in electric) - sum_x**2
    if spread <= 1e-12 * n * max(x * x for x in electric):
        raise ValueError("all tests have the same electric consumption: no slope")
    return (n * sum(x * y for x, y in zip(electric, consumption, strict=True)) - sum_x * sum_y) / spread


def corrected(consumption: float, electric: float, slope: float) -> float:
    """Consumption at balanced charge: ``consumption - K electric``."""
    return consumption - slope * electric
