"""A road to tune on, with the least objective by the charge at the end: what a calibration's trip is held against, whatever it ends with.

Optima are solved to a few charges at the end, and each stands where it ends. Before a last descent a battery can be no emptier than its
window allows, and a charge that the descent alone exceeds is worth nothing: the optimum then ends above what was asked, and the least fuel
bends there.
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

ENDS = (-0.15, -0.075, 0.0, 0.075, 0.15)    # charges at the end, from the target, that optima are solved to
SMALLEST_G = 1.0            # of fuel, that a gap is put in relation to
TOP_MARGIN = 0.003          # charge below the window's top that an optimum may be asked to end with
APART_J = 1e3               # of stored energy, that optima of a road must be apart


@dataclass(frozen=True, slots=True)
class Trip:
    """A road to tune on: optima by what they end with.

    cycle : word of the cycle      road : name as ``roads`` gives it      km : length
    end_J : (n,) stored energy at the end, ascending      least_g : (n,) objective
    level_below : whether less energy at the end than the first saves nothing
    """

    cycle: str
    road: str
    km: float
    end_J: tuple[float, ...]
    least_g: tuple[float, ...]
    level_below: bool = False

    def least_at_g(self, end_J: float) -> float:
        """The least objective that ends with an energy [g]: monotone between the optima, straight on beyond them."""
        from scipy.interpolate import PchipInterpolator

        if len(self.end_J) == 1 or (self.level_below and end_J < self.end_J[0]):
            return self.least_g[0]
        curve = PchipInterpolator(self.end_J, self.least_g)
        inside = min(max(end_J, self.end_J[0]), self.end_J[-1])
        return float(curve(inside) + curve(inside, 1) * (end_J - inside))


def trip_of(layout: Layout, course: Course, cycle: str, name: str = AS_IT_IS) -> tuple[Trip, Optimum]:
    """A road as a trip to tune on, named by the cycle's word and the road, and the optimum that ends at the target charge.

    A charge that cannot be reached on this road is left out. Raises what ``ems.optimum`` raises at the target.
    """
    from ems.solve.optimum import optimum
    from ems.tables.shared import shared_tables

    battery = layout.battery
    target, top = battery.soc_target, max(battery.soc_high - TOP_MARGIN, battery.soc_target)
    found: dict[float, Optimum] = {}
    for end in {min(max(target + from_target, battery.soc_low), top) for from_target in ENDS}:
        try:
            found[end] = optimum(layout, course.cycle, charge=(target, end), first_tables=shared_tables)
        except RunError:
            if end == target:
                raise
    end_J: list[float] = []
    least_g: list[float] = []
    for _, best in sorted(found.items()):
        at_J = course.energy_J(best.soc_end)
        if not end_J or at_J > end_J[-1] + APART_J:
            end_J.append(at_J)
            least_g.append(best.objective_g)
    left_over = end_J[0] > course.energy_J(min(found)) + APART_J
    return Trip(cycle, name, course.demand.distance_m / 1e3, tuple(end_J), tuple(least_g), left_over), found[target]
