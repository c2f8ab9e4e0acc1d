"""A road to tune on, with the least objective by the charge at the end: what a calibration's trip is held against, whatever it ends with.

Optima are solved to a few charges at the end. Each brings the price of charge there, the certificate's costate *at the end*: where the
window binds on the way the costate at the start is another. Before a last descent a battery can be no emptier than its window allows, and
a charge that the descent alone exceeds is worth nothing. The least fuel bends there, and a cubic rounds the bend off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ems.errors import RunError
from ems.strategies.course import Course
from ems.strategies.roads import AS_IT_IS

if TYPE_CHECKING:
    from ems.layout.model import Layout
    from ems.solve.optimum import Optimum

ENDS = (-0.15, 0.0, 0.15)   # charges at the end, from the target, that optima are solved to
TOP_MARGIN = 0.003          # charge below the window's top that an optimum may be asked to end with


@dataclass(frozen=True, slots=True)
class Trip:
    """A road to tune on: optima by what they end with.

    cycle : word of the cycle      road : name as ``roads`` gives it      km : length
    end_J : (n,) stored energy at the end, ascending      least_g : (n,) objective      price_g_J : (n,) its slope there
    """

    cycle: str
    road: str
    km: float
    end_J: tuple[float, ...]
    least_g: tuple[float, ...]
    price_g_J: tuple[float, ...]

    def least_at_g(self, end_J: float) -> float:
        """The least objective that ends with an energy [g]: cubic between the optima, a straight line beyond."""
        from scipy.interpolate import CubicHermiteSpline

        inside = min(max(end_J, self.end_J[0]), self.end_J[-1])
        price = self.price_g_J[0] if end_J < inside else self.price_g_J[-1]
        curve = CubicHermiteSpline(self.end_J, self.least_g, self.price_g_J) if len(self.end_J) > 1 else lambda _: self.least_g[0]
        return float(curve(inside)) + price * (end_J - inside)


def trip_of(layout: Layout, course: Course, cycle: str, name: str = AS_IT_IS) -> tuple[Trip, Optimum]:
    """A road as a trip to tune on, named by the cycle's word and the road, and the optimum that ends at the target charge.

    A charge that cannot be reached on this road is left out. Raises what ``ems.optimum`` raises at the target.
    """
    from ems.solve.optimum import optimum

    battery, found = layout.battery, {}
    target, top = battery.soc_target, max(battery.soc_high - TOP_MARGIN, battery.soc_target)
    for end in {min(max(target + from_target, battery.soc_low), top) for from_target in ENDS}:
        try:
            found[end] = optimum(layout, course.cycle, charge=(target, end))
        except RunError:
            if end == target:
                raise
    ends = sorted(found)
    trip = Trip(cycle, name, course.demand.distance_m / 1e3, tuple(course.energy_J(end) for end in ends),
                tuple(found[end].objective_g for end in ends), tuple(float(found[end].bound.costate_g_J[-1]) for end in ends))
    return trip, found[target]
