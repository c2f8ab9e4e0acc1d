"""UN GTR No. 15 and UN Regulation No. 154 (WLTP), off-vehicle charging hybrids: utility factors, break-off, ranges.

Paragraphs are those of Annex 8 of the GTR, which Regulation (EU) 2017/1151 has as Annex XXI, Sub-Annex 8.
"""

from __future__ import annotations

from collections.abc import Sequence

from ems.regulations.figures import ChargeRuns, Part, Text, Weighted, figures_of
from ems.regulations.utility import utility_factor, weighted_by_utility

COEFFICIENTS = (26.25, -38.94, -631.05, 5964.83, -25095.0, 60380.2, -87517.0, 75513.8, -35749.0, 7154.94)
"""C_1 to C_10 (Appendix 5, para. 3, Table A8.App5/1; read)."""

NORMALISED_KM = (800.0, 2200.0, 4260.0)
"""d_n: 800 km (read); 2,200 km for new types from 2025 and 4,260 km from 2027 (Regulation (EU) 2023/443; second-hand)."""

BREAK_OFF = 0.04
"""Relative change of electric energy under which a cycle ends the depleting test (para. 3.2.4.5; from memory)."""

TEXT = Text(
    "UN GTR 15 / UN R154",
    (
        ("Annex 8, Appendix 5, para. 3", "utility factor of each phase, d_n of 800, 2,200 and 4,260 km"),
        ("Annex 8, para. 3.2.4.5", "break-off: electric energy changes by less than 4 % of the cycle energy; the cycle before is the "
         "transition cycle"),
        ("Annex 8, para. 4.1.3.1, 4.2.2, 4.3",
         "weighted carbon dioxide, fuel and electricity over all phases to the end of the transition cycle"),
        ("Annex 8, para. 4.4.1, 4.4.3, 4.4.4, 4.4.5",
         "electric range, depleting cycle range, equivalent electric range, actual depleting range"),
        ("Annex 8, Appendix 2", "charge balance: threshold and regression, in charge_balance.py"),
    ),
    (
        "interpolation within a vehicle family, rounding, declared values and their tolerances",
        "cold start, soak, ambient temperature correction (14 and 23 degrees Celsius), regeneration factor",
        "weighted criteria emissions",
        "other utility factors: those of Japan and of the United States",
        "energy change of batteries other than the traction battery",
    ),
    "coefficients read in Regulation (EU) 2017/1151, Annex XXI, Sub-Annex 8; d_n of 2,200 and 4,260 km second-hand; "
    "paragraph numbers, break-off and ranges from memory",
    "Regulation (EU) 2017/1151 as amended, or UN Regulation No. 154 as published by the UNECE",
)


def utility(distance_km: float, normalised_km: float) -> float:
    """Utility factor of a distance from full charge."""
    return utility_factor(distance_km, COEFFICIENTS, normalised_km)


def weighted(tested: ChargeRuns, normalised_km: float) -> Weighted:
    """Utility-factor weighted figures."""
    return weighted_by_utility(tested, lambda d: utility(d, normalised_km))


def breaks_off(electric_change_J: float, cycle_energy_J: float) -> bool:
    """Whether a cycle changes the battery's energy so little that the one before was the transition cycle."""
    return abs(electric_change_J) < BREAK_OFF * cycle_energy_J


def equivalent_electric_range_km(depleting: Sequence[Sequence[Part]], sustaining_co2_g_per_km: float) -> float:
    """Depleting cycle range times the share of carbon dioxide that electricity saves in it (para. 4.4.4.1)."""
    parts = [p for cycle in depleting for p in cycle]
    if not parts:
        return 0.0
    km = sum(p.distance_km for p in parts)
    return km * (sustaining_co2_g_per_km - figures_of(parts).co2_g_per_km) / sustaining_co2_g_per_km


def actual_depleting_range_km(depleting: Sequence[Sequence[Part]], sustaining_co2_g_per_km: float) -> float:
    """Whole depleting cycles, and the share of the transition cycle that was still depleting (para. 4.4.5).

    That share is ``(M_CS - M_n) / (M_CS - M_before)``, M_before the mean carbon dioxide of the cycles before; 0 to 1. For a single
    cycle there is none before, and the cycles before are taken as free of carbon dioxide.
    """
    if not depleting:
        return 0.0
    whole, last = [p for cycle in depleting[:-1] for p in cycle], depleting[-1]
    before = figures_of(whole).co2_g_per_km if whole else 0.0
    saved, possible = sustaining_co2_g_per_km - figures_of(last).co2_g_per_km, sustaining_co2_g_per_km - before
    share = min(max(saved / possible, 0.0), 1.0) if possible > 0.0 else 0.0
    return sum(p.distance_km for p in whole) + share * sum(p.distance_km for p in last)
