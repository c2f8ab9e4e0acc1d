"""From one published figure's terms to another's: what cycle, road load and mass, charge and weighting contribute.

Both terms are computed with the same layout, as optima. Contributions are taken one after the other in the stated order, and averaged over
all orders (the Shapley value; Shapley, Contributions to the Theory of Games II, 1953; from memory): either way they add up exactly.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from ems.judge.chargeable import Chargeable, chargeable
from ems.layout.model import Layout
from ems.regulations.figures import CHARGER_EFFICIENCY
from ems.regulations.weightings import WEIGHTINGS
from ems.solve.clock import Progress
from ems.solve.optimum import Optimum, optimum
from ems.trips.cycle import Cycle

ONE_RUN = {
    "sustaining": "one run that ends at the charge it starts with, the depleted one",
    "run": "one run from the first charge to the second, as it is, without any correction",
}
DEPLETING = "depleting"
CHOICES = (*ONE_RUN, DEPLETING, *WEIGHTINGS)
ORDER = ("cycle", "road_load", "charge", "weighting")
"""The stated order."""


@dataclass(frozen=True, slots=True, eq=False)
class Terms:
    """What a figure was found under.

    road_load : changes of the layout, ``KEY=VALUE``, its layout after them in ``layout``
    charge : (full, depleted)      weighting : one of ``CHOICES``
    """

    layout: Layout
    cycle: Cycle
    road_load: tuple[str, ...]
    charge: tuple[float, float]
    weighting: str

    def to_dict(self) -> dict[str, Any]:
        """In names."""
        return {"layout": self.layout.name, "cycle": self.cycle.name, "road_load": list(self.road_load), "charge": list(self.charge),
                "weighting": self.weighting}


@dataclass(frozen=True, slots=True)
class Contribution:
    """What one factor contributes to the fuel [l/100 km]: in the stated order, averaged over all orders, least and most of them."""

    factor: str
    stated_l_per_100km: float
    mean_l_per_100km: float
    low_l_per_100km: float
    high_l_per_100km: float


@dataclass(frozen=True, slots=True, eq=False)
class Bridge:
    """A figure under two terms and what lies between them; fuel [l/100 km], carbon dioxide goes with it at the same fuel.

    bars : how far the figure at either end may be off, by the certificates of its runs
    combinations : (factors taken over from the second terms) -> fuel, every one that was computed
    """

    begin: Terms
    end: Terms
    begin_l_per_100km: float
    end_l_per_100km: float
    bars_l_per_100km: tuple[float, float]
    contributions: tuple[Contribution, ...]
    combinations: tuple[tuple[tuple[str, ...], float], ...]

    def to_dict(self) -> dict[str, Any]:
        """The JSON of ``ems bridge``."""
        return {
            "from": self.begin.to_dict(), "to": self.end.to_dict(), "from_l_per_100km": self.begin_l_per_100km,
            "to_l_per_100km": self.end_l_per_100km, "bars_l_per_100km": list(self.bars_l_per_100km), "order": list(ORDER),
            "contributions": [asdict(c) for c in self.contributions],
            "combinations": [{"changed": list(names), "fuel_l_per_100km": value} for names, value in self.combinations]}


def shares(factors: Sequence[str], value: Callable[[frozenset[str]], float]) -> tuple[Contribution, ...]:
    """Contributions of factors that are taken over one by one; ``value`` of the set of those taken over."""
    gains: dict[str, list[float]] = {name: [] for name in factors}
    for order in itertools.permutations(factors):
        for i, name in enumerate(order):
            before = frozenset(order[:i])
            gains[name].append(value(before | {name}) - value(before))
    # permutations begin with the order that was given
    return tuple(Contribution(n, g[0], math.fsum(g) / len(g), min(g), max(g)) for n, g in gains.items())


@dataclass(slots=True, eq=False)
class _Solved:
    """Runs that are kept, by what they depend on."""

    charger_efficiency: float
    progress: Progress | None
    runs: dict[tuple[object, ...], Optimum] = field(default_factory=dict)
    sequences: dict[tuple[object, ...], Chargeable] = field(default_factory=dict)

    def fuel(self, terms: Terms) -> tuple[float, float]:
        """Fuel under terms and its bar [l/100 km]."""
        if terms.weighting in ONE_RUN:
            full, empty = terms.charge
            found = self.run(terms, (empty, empty) if terms.weighting == "sustaining" else (full, empty))
            return found.fuel_l_per_100km, found.fuel_l_per_100km * (found.gap_percent + found.table_error_percent) / 100.0
        sequence = self.sequence(terms)
        bar = max(leg.fuel_l_per_100km * leg.bar_percent for leg in sequence.legs) / 100.0
        figures = sequence.depleting if terms.weighting == DEPLETING else sequence.weighted[terms.weighting].figures
        return figures.fuel_l_per_100km, bar

    def run(self, terms: Terms, charge: tuple[float, float]) -> Optimum:
        key = (terms.layout.digest, _trip(terms.cycle), charge)
        if key not in self.runs:
            self.runs[key] = optimum(terms.layout, terms.cycle, charge=charge, progress=self.progress)
        return self.runs[key]

    def sequence(self, terms: Terms) -> Chargeable:
        key = (terms.layout.digest, _trip(terms.cycle), terms.charge)
        if key not in self.sequences:
            self.sequences[key] = chargeable(terms.layout, terms.cycle, charge=terms.charge, charger_efficiency=self.charger_efficiency,
                                             blended=False, correction=False, progress=self.progress)
        return self.sequences[key]


def bridge(begin: Terms, end: Terms, *, charger_efficiency: float = CHARGER_EFFICIENCY, progress: Progress | None = None) -> Bridge:
    """What lies between a figure under one set of terms and under another. Raises what ``chargeable`` and ``optimum`` raise."""
    solved = _Solved(charger_efficiency, progress)
    changed = [name for name in ORDER if _differs(name, begin, end)]
    values: dict[frozenset[str], tuple[float, float]] = {}

    def value(names: frozenset[str]) -> float:
        if names not in values:
            values[names] = solved.fuel(_taken_over(names, begin, end))
        return values[names][0]

    first, last = value(frozenset()), value(frozenset(changed))
    contributions = shares(changed, value)
    ordered = sorted(values, key=lambda names: (len(names), [ORDER.index(n) for n in sorted(names, key=ORDER.index)]))
    return Bridge(begin, end, first, last, (values[frozenset()][1], values[frozenset(changed)][1]), contributions,
                  tuple((tuple(sorted(n, key=ORDER.index)), values[n][0]) for n in ordered))


def _trip(cycle: Cycle) -> tuple[object, ...]:
    """What a cycle is, whatever its name: files of two folders may share one."""
    return (*(row.tobytes() for row in (cycle.time_s, cycle.speed_m_s, cycle.grade, cycle.auxiliary_W)), cycle.phases)


def _differs(name: str, begin: Terms, end: Terms) -> bool:
    if name == "cycle":
        return _trip(begin.cycle) != _trip(end.cycle)
    if name == "road_load":
        return begin.layout.digest != end.layout.digest
    return bool(getattr(begin, name) != getattr(end, name))


def _taken_over(names: frozenset[str], begin: Terms, end: Terms) -> Terms:
    new: Mapping[str, Any] = {name: getattr(end, name) for name in names}
    taken: Mapping[str, Any] = {**new, "layout": end.layout} if "road_load" in names else new
    return replace(begin, **taken)
