"""Sums of a ledger by what was chosen and what would have been best, by speed, power and phase."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ems.judge.ledger import CAUSES
from ems.trips.cycle import Cycle
from ems.trips.demand import Demand
from ems.types import Array

SPEED_EDGES_KMH = (30.0, 60.0, 90.0, 120.0)
POWER_EDGES_KW = (-20.0, -5.0, 0.0, 5.0, 15.0, 30.0)
NO_PHASE = "outside the named phases"


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of a roll-up: what it is of, its seconds, its prices, and each cause's part [g]."""

    name: str
    seconds: float
    price_g: float
    causes_g: Mapping[str, float]

    def to_dict(self) -> dict[str, Any]:
        """Flat: name, seconds, price_g and one key a cause."""
        return {"name": self.name, "seconds": self.seconds, "price_g": self.price_g, **{f"{c}_g": g for c, g in self.causes_g.items()}}


def rolled_up(names: Sequence[str], dt_s: Array, price_g: Array, causes_g: Mapping[str, Array],
              order: Sequence[str] = ()) -> tuple[Entry, ...]:
    """Prices summed by name: dearest first, or in the order given."""
    labels = np.array(names)
    entries = [Entry(name, float(dt_s[here].sum()), float(price_g[here].sum()), {c: float(causes_g[c][here].sum()) for c in CAUSES})
               for name in (order or dict.fromkeys(names)) if (here := labels == name).any()]
    return tuple(entries) if order else tuple(sorted(entries, key=lambda e: -e.price_g))


def pair(chosen: str, optimal: str) -> str:
    """'chosen -> optimal at that state'."""
    return f"{chosen} -> {optimal}"


def speed_bands(demand: Demand) -> tuple[list[str], list[str]]:
    """Name of the speed band of each interval, and all bands in order."""
    order = ["standstill", *_names(SPEED_EDGES_KMH, "km/h", "moving, ")]
    kmh = np.asarray(demand.speed_m_s * 3.6)
    place = 1 + np.digitize(kmh, SPEED_EDGES_KMH)
    place[demand.standstill] = 0
    return [order[i] for i in place], order


def power_bands(demand: Demand) -> tuple[list[str], list[str]]:
    """Name of the band of wheel power of each interval, and all bands in order."""
    order = _names(POWER_EDGES_KW, "kW")
    place = np.digitize(demand.power_W / 1e3, POWER_EDGES_KW)
    return [order[i] for i in place], order


def phases(cycle: Cycle, demand: Demand) -> tuple[list[str], list[str]]:
    """Name of the phase of each interval, and all phases in order; the whole cycle where it names none."""
    if not cycle.phases:
        return [cycle.name] * demand.time_s.size, [cycle.name]
    names = [NO_PHASE] * demand.time_s.size
    for phase in cycle.phases:
        for k in np.flatnonzero((demand.time_s >= phase.start_s) & (demand.time_s < phase.end_s)):
            names[k] = phase.name
    return names, [*dict.fromkeys(p.name for p in cycle.phases), NO_PHASE]


def _names(edges: Sequence[float], unit: str, below: str = "") -> list[str]:
    inner = [f"{a:g} to {b:g} {unit}" for a, b in itertools.pairwise(edges)]
    return [f"{below}below {edges[0]:g} {unit}", *inner, f"{edges[-1]:g} {unit} and more"]
