"""What regulations weigh: distance, fuel, carbon dioxide and electricity of cycles and their phases."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields

CHARGER_EFFICIENCY = 0.88
"""From the mains to the battery's store; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Part:
    """A cycle, or a phase of one.

    distance_km      fuel_l, co2_g : burnt and from the tail pipe      mains_kWh : recharged at the mains for it
    """

    distance_km: float
    fuel_l: float
    co2_g: float
    mains_kWh: float


@dataclass(frozen=True, slots=True)
class Figures:
    """Consumption over a distance; units in the names."""

    fuel_l_per_100km: float
    co2_g_per_km: float
    electricity_kWh_per_100km: float


@dataclass(frozen=True, slots=True)
class ChargeRuns:
    """What a charge-depleting and a charge-sustaining test give.

    depleting : cycles from full charge to the transition cycle, it included; each its phases in order
    sustaining : figures at balanced charge      electric_range_km : distance until the engine first burns fuel
    """

    depleting: tuple[tuple[Part, ...], ...]
    sustaining: Figures
    electric_range_km: float


@dataclass(frozen=True, slots=True)
class Weighted:
    """A weighted result: figures, the share of the distance that counts as depleting, and the range the weighting used."""

    figures: Figures
    depleting_share: float
    range_km: float


@dataclass(frozen=True, slots=True)
class Text:
    """Which text a file follows: paragraphs with what they say, and what of it is not implemented."""

    name: str
    paragraphs: tuple[tuple[str, str], ...]
    left_out: tuple[str, ...]
    source: str
    in_force: str


def figures_of(parts: Sequence[Part]) -> Figures:
    """Figures of parts driven one after the other."""
    km = sum(p.distance_km for p in parts)
    return Figures(100.0 * sum(p.fuel_l for p in parts) / km, sum(p.co2_g for p in parts) / km,
                   100.0 * sum(p.mains_kWh for p in parts) / km)


def mixed(shares: Iterable[tuple[float, Figures]]) -> Figures:
    """Sum of figures times shares."""
    rows = list(shares)
    return Figures(*(sum(share * getattr(figures, kind.name) for share, figures in rows) for kind in fields(Figures)))
