"""How far a driven trip is from the certified least fuel that ends with the same charge: a figure, no ledger.

The reference is solved to the charge the trip ends with. Charge that it cannot be asked for, at the very top of the window, is valued at
its costate; so is a difference of at most ``near`` to a charge that was solved before.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ems.errors import RunError
from ems.layout.model import Layout
from ems.solve.optimum import Optimum, optimum
from ems.strategies.course import Course
from ems.strategies.simulate import Driven
from ems.strategies.trip import SMALLEST_G, TOP_MARGIN

LOWER_ENDS = (0.0, 0.002, 0.01, 0.03)       # of charge: how far below the trip's end the optimum may end where it must


@dataclass(frozen=True, slots=True)
class Judged:
    """A strategy on a cycle, and the optimum with the same charge at the end; gap_percent is over the optimum's lower bound."""

    cycle: str
    objective_g: float
    optimum_g: float
    gap_percent: float
    soc_end: float
    starts_per_km: float
    changes_per_km: float
    corrections: dict[str, int]


def at_equal_charge_g(best: Optimum, objective_g: float, end_J: float, asked_J: float) -> float:
    """Fuel and price of a trip as if it ended with the energy asked for; what is missing or left counts at the optimum's costate there.

    At the costate of the end: then the affine certificate bounds what results too (see the ledger's value at the end).
    """
    return objective_g + (asked_J - end_J) * float(best.bound.costate_g_J[-1])


def gap_percent(objective_g: float, bound_g: float) -> float:
    """How far above a lower bound [%]."""
    return 100.0 * (objective_g - bound_g) / max(bound_g, SMALLEST_G)


class References:
    """Optima of a layout on a course, from the target charge to the charge asked for; kept, one for charges within ``near``."""

    def __init__(self, layout: Layout, course: Course, near: float = 0.0) -> None:
        self.layout, self.course, self.near = layout, course, near
        self.solved: dict[float, Optimum] = {}

    def to(self, soc: float) -> tuple[float, Optimum]:
        """(charge solved to, optimum) for a trip that ends with a charge."""
        battery = self.layout.battery
        asked = min(soc, battery.soc_high - TOP_MARGIN)
        known = min(self.solved, key=lambda c: abs(c - asked), default=None)
        if known is None or abs(known - asked) > self.near:
            known, best = at_or_below(lambda end: optimum(self.layout, self.course.cycle, charge=(battery.soc_target, end)), asked,
                                      battery.soc_low)
            self.solved[known] = best
        return known, self.solved[known]


def at_or_below(solve: Callable[[float], Optimum], end: float, least: float) -> tuple[float, Optimum]:
    """(charge, optimum) for a charge at the end; a little less of it where the search misses a target that a trip met."""
    for lower in LOWER_ENDS:
        asked = max(end - lower, least)
        try:
            return asked, solve(asked)
        except RunError:
            if lower == LOWER_ENDS[-1]:
                raise
    raise AssertionError("unreachable")


def judged(references: References, driven: Driven, word: str) -> Judged:
    """A trip that began at the target charge, against the optimum with its charge at the end. Raises what ``ems.optimum`` raises."""
    course = references.course
    soc = course.soc(float(driven.energy_J[-1]))
    solved, best = references.to(soc)
    missing_g = at_equal_charge_g(best, 0.0, course.energy_J(solved), course.energy_J(soc))
    bound, km = best.lower_bound_g + missing_g, course.demand.distance_m / 1e3
    return Judged(word, driven.objective_g, best.objective_g + missing_g, gap_percent(driven.objective_g, bound), soc,
                  driven.engine_starts / km, driven.configuration_changes / km, driven.corrections)
