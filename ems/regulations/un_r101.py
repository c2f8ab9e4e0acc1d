"""UN Regulation No. 101, externally chargeable hybrids: two tests weighted over a distance between charges of 25 km."""

from __future__ import annotations

from ems.regulations.figures import ChargeRuns, Figures, Text, Weighted, figures_of, mixed

BETWEEN_CHARGES_KM = 25.0
"""D_av, the mean distance between two charges (Annex 8; from memory; comcar.co.uk on plug-in hybrids has it as 16 miles, second-hand)."""

TEXT = Text(
    "UN R101",
    (
        ("Annex 8, para. 3.4 and 4.4", "weighting with D_e, condition A: one cycle from full charge"),
        ("Annex 8, para. 3.4 and 4.4", "weighting with D_OVC, condition A: all cycles from full charge to the one that keeps it"),
        ("Annex 9", "D_e: distance to the engine's first start; D_OVC: distance of the depleting cycles"),
    ),
    (
        "vehicles with a switch of operating modes (Annex 8, para. 4)",
        "gear shift prescriptions, preconditioning, cold soak and the cold start of the engine",
        "electric energy of condition B (E4): zero, as the sustaining run here ends at the charge it starts with",
        "rounding of the declared figures and the manufacturer's tolerance",
        "its own end of the depleting test: the sequence here ends by that of UN GTR 15",
        "its cycle, the NEDC: here --cycle says what is driven",
    ),
    "from memory; the weighting formula and D_av corroborated second-hand",
    "UN Regulation No. 101, 01 series of amendments, as published by the UNECE",
)


def weighted(range_km: float, depleting: Figures, sustaining: Figures) -> Figures:
    """``(D C_1 + D_av C_2) / (D + D_av)`` for fuel, carbon dioxide and electricity, D being D_e or D_OVC."""
    share = depleting_share(range_km)
    return mixed([(share, depleting), (1.0 - share, sustaining)])


def depleting_share(range_km: float) -> float:
    """D / (D + D_av)."""
    return range_km / (range_km + BETWEEN_CHARGES_KM)


def by_electric_range(tested: ChargeRuns) -> Weighted:
    """Weighting with D_e: condition A is the first cycle from full charge."""
    if not tested.depleting:
        return Weighted(tested.sustaining, 0.0, 0.0)
    km = tested.electric_range_km
    return Weighted(weighted(km, figures_of(tested.depleting[0]), tested.sustaining), depleting_share(km), km)


def by_ovc_range(tested: ChargeRuns) -> Weighted:
    """Weighting with D_OVC: condition A is the whole depleting sequence."""
    parts = [p for cycle in tested.depleting for p in cycle]
    if not parts:
        return Weighted(tested.sustaining, 0.0, 0.0)
    km = sum(p.distance_km for p in parts)
    return Weighted(weighted(km, figures_of(parts), tested.sustaining), depleting_share(km), km)
