"""Every weighting by its name: what ``ems chargeable`` lists and ``ems bridge`` goes between."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from ems.regulations import charge_balance, sae_j2841, un_gtr15, un_r101
from ems.regulations.figures import ChargeRuns, Text, Weighted


@dataclass(frozen=True, slots=True)
class Weighting:
    """A way of weighting: its title, and what makes the weighted figures of tests."""

    title: str
    of: Callable[[ChargeRuns], Weighted]


WEIGHTINGS: dict[str, Weighting] = {
    "r101-de": Weighting("UN R101, one cycle, D_e", un_r101.by_electric_range),
    "r101-dovc": Weighting("UN R101, all cycles, D_OVC", un_r101.by_ovc_range),
    **{f"uf-{km:.0f}": Weighting(f"UN GTR 15 / UN R154, d_n {km:,.0f} km", partial(un_gtr15.weighted, normalised_km=km))
       for km in un_gtr15.NORMALISED_KM},
    "j2841-fleet": Weighting("SAE J2841, fleet", sae_j2841.weighted_fleet),
    "j2841-individual": Weighting("SAE J2841, multi-day individual", sae_j2841.weighted_individual),
}

TEXTS: tuple[Text, ...] = (un_r101.TEXT, un_gtr15.TEXT, charge_balance.TEXT, sae_j2841.TEXT)
