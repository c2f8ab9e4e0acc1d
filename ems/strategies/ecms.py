"""Equivalent consumption minimisation: each second the least of fuel plus a price of battery energy, over configuration and choice.

Two laws of the price, both causal:

x is the charge missing to what is aimed at, over what lies between that and the end of the window on its side: 1 at the bottom, -1 at the
top. Aimed at is the target less what comes back of the energy of speed and height (``coming_back.py``), moved by at most ``MOST_ROOM`` of
the distance from the target to the nearer end, which is the distance that counts on both sides.

*constant* : s = s0 (1 + g x^3), x limited to 1 either way: one value for the whole trip as long as the charge is near its target, dearer
or cheaper energy towards an end of the window (multiplicative penalty on charge, cubic, as in Onori, Serrao and Rizzoni, Hybrid Electric
Vehicles: Energy Management Strategies, Springer, 2016, chapter on equivalent consumption; from memory). With g = 0 the window decides
where the battery comes to its bottom: the engine then starts whenever the battery cannot go on, at whatever load. Without an s0 it is
sought so that the trip ends at the charge aimed at, by root-finding over whole simulations: that search knows the trip, the driving
does not.

*adaptive* : s = s0 (1 + p x + q z), z the time integral of x over 1000 s: proportional and integral feedback from charge, as in the same
book's chapter on adaptive strategies, and Chasse and Sciarretta, Control Engineering Practice 19 (2011); both from memory. s stays
within bounds, and z stands still while s is at a bound and the charge would push it further out (anti-windup).

A change of configuration must pay for itself: its fuel, price and energy are spread over ``payback_s`` seconds. Of what the change costs
beyond the way back, the share ``return_share`` is counted at the return: with c there and b back, c + r (b - c) there and b + r (c - b)
back, so that there and back cost what they do. Without it an engine that is dear to start stops for the smallest gain and must start
again, and a long gear, which gives its rotors' energy back, is taken for that gift alone. (Moving costs along a potential leaves what is
best over a whole trip as it is: Ng, Harada and Russell, Policy invariance under reward transformations, ICML 1999; from memory.)

``payback_s``, ``return_share`` and ``end_gain`` were chosen on ``three-clutch`` over ``wltc-3b``, ``nedc`` and ``us06``, the cycles that
rules are tuned on; the former two also with ``input-split``, ``series`` and ``parallel-six`` in view.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ems.errors import RunError
from ems.kernels.changes import HUGE
from ems.kernels.equivalent import Price, least_cost, polish
from ems.kernels.simulate import Room, room
from ems.strategies.coming_back import MOST_ROOM, RECOVERED, ComingBack
from ems.strategies.protocol import Request, Situation
from ems.strategies.schedule import exact_request

if TYPE_CHECKING:
    from ems.kernels.battery import BatteryArrays
    from ems.strategies.course import Course
    from ems.types import Array

FIRST_CONSTANT = 2.6        # where the search begins
RESIDUAL = 0.001            # charge, of capacity, that may be left uncorrected
LOWEST, HIGHEST = 0.2, 12.0     # constants looked at
EVALUATIONS = 48
AROUND = (0.98, 0.985, 0.99, 0.995, 1.005, 1.01, 1.015, 1.02)
ALIKE = 1.0 + 1e-5          # constants nearer to one another than this are not told apart
LEAST_REACH = 0.02          # of the window, over which the price follows the charge where the target lies at one of its ends
NEAR_AN_END = 0.02          # of the window, within which what the window leaves decides, not the price
HELD_G_S = 1e6              # by which another configuration is held back during the dwell time


@dataclass(slots=True)
class Ecms:
    """Instantaneous minimisation with a price of battery energy.

    constant : fuel energy per electrochemical energy [-]; None: found for the charge aimed at
    payback_s : time in which a change of configuration must pay for itself [s]
    return_share : of what a change costs beyond the way back, counted at the return
    favour_g_s : by how much another configuration must be better than the present one [g/s]
    dwell_s : time for which a configuration is kept, if it can be
    end_gain : relative change of the constant at the nearer end of the window
    gain, integral_gain : of the adaptive law, relative change of the constant; zero: constant      low, high : its bounds
    recovery_share : of the energy of speed and height, for which the feedback keeps room in the battery
    target_J : stored energy that the feedback aims at; None: the middle of the window      reserve_s : see ``Strategy``
    notes : on the search for the constant
    """

    constant: float | None = None
    payback_s: float = 4.0
    return_share: float = 0.35
    favour_g_s: float = 0.0
    dwell_s: float = 0.0
    gain: float = 0.0
    integral_gain: float = 0.0
    end_gain: float = 0.25
    low: float = 1.2
    high: float = 5.0
    recovery_share: float = RECOVERED
    target_J: float | None = None
    reserve_s: float = 5.0
    name: str = "ecms"
    notes: tuple[str, ...] = ()
    _missing: float = 0.0
    _course: Course | None = None
    _above: ComingBack | None = None

    def prepare(self, course: Course, start_J: float, target_J: float) -> Ecms:
        """The strategy for a trip: constant found where none is given, and target of the feedback."""
        aimed = replace(self, target_J=target_J)
        if self.gain == 0.0 and self.integral_gain == 0.0:
            return aimed if self.constant is not None else _with_constant_found(aimed, course, start_J, target_J)
        return replace(aimed, constant=self.constant or FIRST_CONSTANT)

    def begin(self, course: Course) -> None:
        """Start of a trip."""
        self._course, self._missing = course, 0.0
        self._above = ComingBack(course.plant.layout.vehicle.mass_kg, self.recovery_share, self.recovery_share)

    def price(self, situation: Situation) -> float:
        """The price of battery energy now, and the integral of the missing charge carried on."""
        constant = self.constant or FIRST_CONSTANT
        assert self._course is not None and self._above is not None
        missing = self._share_missing(self._course.plant.battery, situation.energy_J, self._above.energy_J(situation))
        if self.gain == 0.0 and self.integral_gain == 0.0:
            return constant * (1.0 + self.end_gain * min(max(missing, -1.0), 1.0) ** 3)
        wanted = constant * (1.0 + self.gain * missing + self.integral_gain * self._missing)
        held = min(max(wanted, self.low), self.high)
        if held == wanted or (wanted > held) == (missing < 0.0):
            self._missing += missing * situation.dt_s / 1000.0
        return held

    def _share_missing(self, battery: BatteryArrays, energy_J: float, coming_J: float) -> float:
        """Energy missing to what is aimed at, over what lies between that and the end on its side; coming_J is on its way.

        However far what is aimed at is moved, it is 1 at the bottom: else room for speed drains the battery that the next climb needs.
        """
        window = battery.high_J - battery.low_J
        target = self.target_J if self.target_J is not None else 0.5 * (battery.low_J + battery.high_J)
        near = max(min(target - battery.low_J, battery.high_J - target), LEAST_REACH * window)
        moved = min(max(coming_J / near, -MOST_ROOM), MOST_ROOM)
        missing = (target - energy_J) / near - moved
        return missing / (1.0 - moved if missing > 0.0 else 1.0 + moved)

    def decide(self, situation: Situation) -> Request:
        """Configuration and choice of least equivalent consumption."""
        course, k = self._course, situation.interval
        assert course is not None
        slope = self.price(situation) / course.plant.heating_value_J_g
        stored, fixed = course.changes.stored[k, situation.node], course.changes.fixed[situation.node]
        if situation.node >= 0:
            fixed = fixed + self._moved(course, k, situation.node, slope)
            disfavour = self.favour_g_s + (HELD_G_S if situation.since_change_s < self.dwell_s else 0.0)
            away = course.configuration_of != course.configuration_of[situation.node]
            fixed = fixed + self.payback_s * disfavour * away
        price = Price(slope, self.payback_s, stored, fixed)
        now = course.seconds[k]
        node, point = -1, -1
        for reserve_s in (self.reserve_s, 0.0):
            node, point = least_cost(course.frontier(k), course.plant.battery, situation.energy_J, now.dt,
                                     course.keep(k, reserve_s), price, situation.node)
            if node >= 0:
                break
        if node < 0:
            return Request(situation.configuration)
        space = room(course.plant.battery, situation.energy_J - stored[node], now.dt, course.keep(k, reserve_s)[node])
        return self._polished(course, k, node, point, space, slope)

    def _moved(self, course: Course, k: int, node: int, slope: float) -> Array:
        """(N,) what is added to the cost of leaving a node, and taken from that of coming back [g]."""
        fixed, stored = course.changes.fixed, course.changes.stored[k]
        N = fixed.shape[1]
        beyond = fixed[:N, node] - fixed[node] + slope * (stored[:N, node] - stored[node])
        both = (stored[:N, node] < HUGE) & (stored[node] < HUGE)
        moved: Array = np.where(both, self.return_share * beyond, 0.0)
        return moved

    def _polished(self, course: Course, k: int, node: int, point: int, space: Room, slope: float) -> Request:
        """The request for a table point, its continuous choices polished where the engine has one."""
        arrays, tables, now = course.plant.arrays, course.tables, course.seconds[k]
        choice = tables.choice[point].copy()
        if arrays.engine_free[node] and arrays.engine_mode[node] == 1 and (now.Tw >= 0.0 or choice[2] > 0.0):
            wide_f = (arrays.free_high[node] - arrays.free_low[node]) / max(tables.grid.free_points - 1, 1)
            points = tables.grid.free_points if arrays.has_free[node] else tables.grid.torque_points
            polish(arrays, course.bench, node, now, space, slope, choice, wide_f, float(arrays.engine_full_load.max()) / (points - 1))
        return exact_request(course, k, node, choice)


def adaptive() -> Ecms:
    """ECMS whose price follows the charge."""
    return Ecms(constant=FIRST_CONSTANT, gain=0.25, integral_gain=0.25, name="ecms-adaptive")


def _with_constant_found(ecms: Ecms, course: Course, start_J: float, target_J: float) -> Ecms:
    """The constant that ends the trip at the target, by bisection between a constant that ends above and one that ends below.

    The charge at the end jumps where a choice flips, up and down, so it may pass the target more than once: where the first crossing is a
    jump, others are looked for ``AROUND`` it. The constant that misses least is kept, and the miss is told.
    """
    from ems.strategies.simulate import drive

    battery = course.plant.battery
    wanted = course.soc(target_J)
    tried: dict[float, float] = {}
    at_ends: dict[float, str] = {}

    def miss(constant: float) -> float:
        """Charge above the target at the end; far below it where the trip cannot be driven."""
        try:
            energy_J = drive(course, replace(ecms, constant=constant), start_J).energy_J
            tried[constant] = course.soc(float(energy_J[-1])) - wanted
            at_ends[constant] = _ends(battery, energy_J)
        except RunError:
            tried[constant] = -math.inf
        return tried[constant]

    low = high = FIRST_CONSTANT
    step, up = 1.05, miss(FIRST_CONSTANT) < 0.0
    while low > LOWEST and high < HIGHEST:
        if up:
            low, high = high, high * step
        else:
            low, high = low / step, low
        if (miss(high if up else low) < 0.0) != up:
            break
        step = min(step**1.5, 1.5)
    looked_around = False
    while len(tried) < EVALUATIONS and min(abs(v) for v in tried.values()) > 0.2 * RESIDUAL:
        crossings = _crossings(tried)
        if crossings:
            low, high = min(crossings, key=lambda pair: pair[1] / pair[0])
            miss(math.sqrt(low * high))
        elif looked_around:
            break
        else:
            looked_around = True
            middle = min(tried, key=lambda c: abs(tried[c]))
            for factor in AROUND:
                miss(middle * factor)
    best = min(tried, key=lambda c: (abs(tried[c]), c))
    residual = tried[best]
    notes = [f"constant {best:.4f}, found in {len(tried)} simulations; charge at the end misses the target by {100 * residual:+.3f} % of "
             "capacity"]
    if not math.isfinite(residual):
        raise RunError(f"ECMS: no constant from {LOWEST:g} to {HIGHEST:g} brings the battery through the trip")
    if abs(residual) > RESIDUAL:
        notes.append(_why(tried, best, battery.capacity_As))
    if at_ends[best]:
        notes.append(f"on its way the battery is at the {at_ends[best]} of its window, where the window decides and not the price: a price "
                     "that follows the charge more closely (ecms-adaptive) may do better")
    return replace(ecms, constant=best, notes=tuple(notes))


def _crossings(tried: dict[float, float]) -> list[tuple[float, float]]:
    """Neighbours among the constants tried between which the charge at the end passes the target, and that are not alike."""
    return [(a, b) for a, b in itertools.pairwise(sorted(tried)) if (tried[a] < 0.0) != (tried[b] < 0.0) and b / a > ALIKE]


def _ends(battery: BatteryArrays, energy_J: Array) -> str:
    """Ends of the window that a trip comes to, in words; empty: none."""
    near_J = NEAR_AN_END * (battery.high_J - battery.low_J)
    touched = {"bottom": energy_J.min() < battery.low_J + near_J, "top": energy_J.max() > battery.high_J - near_J}
    return " and the ".join(name for name, is_there in touched.items() if is_there)


def _why(tried: dict[float, float], best: float, capacity_As: float) -> str:
    """Why the charge aimed at is not met."""
    above = [c for c, v in tried.items() if v >= 0.0]
    below = [c for c, v in tried.items() if v < 0.0]
    if not above:
        return f"no constant up to {max(tried):.2f} charges the battery to the target"
    if not below:
        return f"no constant down to {min(tried):.2f} drains the battery to the target: more is taken back than can be used"
    other = min(below if best in above else above, key=lambda c: abs(c - best))
    if not math.isfinite(tried[other]):
        return f"below the constant {best:.5f} the battery does not come through the trip"
    jump = 100 * abs(tried[best] - tried[other])
    return (f"between the constants {min(best, other):.5f} and {max(best, other):.5f} a decision flips and the charge at the end jumps by "
            f"{jump:.2f} % of capacity ({capacity_As / 3600:.2f} Ah); of {len(tried)} constants none does better")
