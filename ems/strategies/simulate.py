"""Drives a strategy through the plant, second by second; what is asked for and not possible is corrected, and counted.

The rule of correction, in this order:

1. An id that is no configuration of the layout (a tie-up, a forbidden state, a wrong word) is an *interlock*: the present
   configuration is kept (at the start, the one of least equivalent cost is taken). So it is where the engine's own least times on and
   off forbid to stop or to start it.
2. Within a configuration the nearest possible choice is taken. Free *engine speed* is brought into its range. While driving the
   nearest possible *engine torque* is taken; where there is none, the *division* between machines is left to the simulator. While
   braking the nearest possible share of *regeneration* is taken, the friction brakes do the rest.
3. Where the configuration has no possible choice, the *configuration* of least equivalent cost is taken.
4. The *battery* keeps its power and current limits and its window. A reserve is kept at both ends, unless no configuration can do with
   so little: below, the energy of an engine start while the engine stands still, and what is left above that lasts ``reserve_s`` at
   least; above, what a change can give back. A strategy with ``reserve_s = 0`` keeps no reserve.

Words in italics are the keys of the counts, in intervals; ``battery`` counts those in which the battery was the reason.
"""

from __future__ import annotations

import math
import traceback
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.errors import RunError
from ems.kernels import simulate as kernel
from ems.kernels.changes import HUGE
from ems.kernels.equivalent import Price, least_cost
from ems.kernels.plant import make_bench
from ems.kernels.simulate import Asked, Room, room, settle
from ems.layout.model import Layout
from ems.plant.modes import configuration_changes, engine_starts
from ems.plant.plant import Plant
from ems.plant.trace import Trace, trace
from ems.solve.charge import charge_of
from ems.strategies.course import Course, course_of
from ems.strategies.protocol import Request, Situation, Strategy, begin
from ems.trips.cycle import Cycle
from ems.types import Array, IntArray

if TYPE_CHECKING:
    import pandas as pd

RESERVE_S = 5.0             # what is left of the battery's window lasts so long, unless the strategy says otherwise
BORDER_RAD_S = 1e-6         # speeds so near to a lane are inside it
FALLBACK_COSTATE = 2.6      # fuel energy per electrochemical energy at which a configuration is chosen for a strategy
CORRECTIONS = ("interlock", "configuration", "engine speed", "engine torque", "division", "regeneration", "battery")
_BITS = ((kernel.SPEED, "engine speed"), (kernel.TORQUE, "engine torque"), (kernel.DIVISION, "division"),
         (kernel.REGENERATION, "regeneration"), (kernel.BATTERY, "battery"))


@dataclass(frozen=True, slots=True, eq=False)
class Driven:
    """A trip as a strategy drove it, K intervals: node (K,), choice (K, 3 + I), energy_J (K + 1,), fuel and price, corrections."""

    node: IntArray
    choice: Array
    energy_J: Array
    fuel_g: float
    price_g: float
    engine_starts: int
    configuration_changes: int
    corrections: dict[str, int]

    @property
    def objective_g(self) -> float:
        """Fuel and price of changes [g]."""
        return self.fuel_g + self.price_g


@dataclass(frozen=True, slots=True, eq=False)
class Simulation:
    """A strategy on a cycle. Units in the names; K intervals.

    strategy : in words      node, choice : (K,), (K, 3 + I) as in tables      energy_J : (K + 1,) stored energy
    objective_g = fuel_g + price_g; corrections : what was changed of the strategy's requests -> intervals
    """

    layout: Layout
    cycle: Cycle
    strategy: str
    plant: Plant
    trace: Trace
    node: IntArray
    choice: Array
    energy_J: Array
    duration_s: float
    distance_km: float
    soc_start: float
    soc_end: float
    fuel_g: float
    price_g: float
    objective_g: float
    fuel_l_per_100km: float
    engine_starts: int
    configuration_changes: int
    corrections: dict[str, int]
    losses_kJ: dict[str, float]
    energy_residual_percent: float
    notes: tuple[str, ...]
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Everything but the objects and arrays, layout and cycle by name."""
        left_out = {"layout", "cycle", "plant", "trace", "node", "choice", "energy_J"}
        out: dict[str, Any] = {"layout": self.layout.name, "cycle": self.cycle.name}
        return out | {f.name: getattr(self, f.name) for f in fields(self) if f.name not in left_out}

    def to_frame(self) -> pd.DataFrame:
        """The trip, one row an interval (see ``Trace.to_frame``)."""
        return self.trace.to_frame()


def simulate(layout: Layout, cycle: Cycle, strategy: Strategy | str, *, charge: tuple[float, float] | None = None,
             course: Course | None = None) -> Simulation:
    """Drive a strategy through a cycle.

    strategy : an object with ``decide(situation)``, or a word as of ``--strategy``
    charge : state of charge at the start, and the one that strategies with an aim bring it to; the battery's target when None
    course : the layout prepared for the cycle, to save making it again
    Raises ``InputError`` for a charge outside the window, ``CycleNotFollowed``, ``RunError`` where the strategy has brought the battery
    to where no configuration can go on.
    """
    start, end = charge_of(layout.battery, charge)
    course = course or course_of(layout, cycle)
    if isinstance(strategy, str):
        from ems.strategies.load import load_strategy

        driver = load_strategy(strategy, layout, plant=course.undivided)
    else:
        driver = strategy
    prepare = getattr(driver, "prepare", None)
    if prepare is not None:
        driver = prepare(course, course.energy_J(start), course.energy_J(end))
    try:
        driven = drive(course, driver, course.energy_J(start))
    except RunError as error:
        if notes := getattr(driver, "notes", ()):
            raise RunError("; ".join([str(error), *notes])) from error
        raise
    return _simulation(course, driver, driven)


def drive(course: Course, strategy: Strategy, start_J: float) -> Driven:
    """A strategy's trip without its trace: choices, stored energy, fuel.

    Raises ``RunError`` as ``simulate`` does.
    """
    begin(strategy, course)
    return _Drive(course, strategy, start_J).run()


class _Drive:
    """State of a trip under way."""

    def __init__(self, course: Course, strategy: Strategy, start_J: float) -> None:
        K, width = course.demand.dt_s.size, course.tables.choice.shape[1]
        self.course, self.strategy = course, strategy
        self.reserve_s = float(getattr(strategy, "reserve_s", RESERVE_S))
        self.node = np.full(K, -1, np.int64)
        self.choice = np.zeros((K, width))
        self.energy_J = np.full(K + 1, start_J)
        self.fuel_g = np.zeros(K)
        self.counts = dict.fromkeys(CORRECTIONS, 0)
        self.changed_s, self.switched_s = -math.inf, -math.inf
        nothing = np.full(width - 3, math.nan)
        self.free = Asked(math.nan, math.nan, math.nan, nothing, math.nan)

    def run(self) -> Driven:
        course = self.course
        present = -1
        for k in range(self.node.size):
            request = self._decided(self._situation(k, present))
            present = self._interval(k, present, request)
        before = np.concatenate([[len(course.plant.nodes)], self.node[:-1]])
        starts = course.fixed_fuel_g[before, self.node]
        return Driven(self.node, self.choice, self.energy_J, float(np.sum(self.fuel_g + starts)),
                      float(course.fixed_price_g[before, self.node].sum()), engine_starts(course.plant, self.node),
                      configuration_changes(course.plant, self.node), {name: n for name, n in self.counts.items() if n})

    def _decided(self, situation: Situation) -> Request:
        """What the strategy asks for. What a class of the user's does wrong is told as its own mistake, with the second and the line."""
        if type(self.strategy).__module__.startswith("ems."):
            return self.strategy.decide(situation)
        where = f"second {situation.time_s:g}: decide of {type(self.strategy).__name__}"
        try:
            request = self.strategy.decide(situation)
        except Exception as error:
            last = traceback.extract_tb(error.__traceback__)[-1]
            raise RunError(f"{where} failed in {last.filename}, line {last.lineno} ({type(error).__name__}: {error})") from error
        if not isinstance(request, Request):
            raise RunError(f"{where} gave {request!r}; expected a Request of ems.strategies.protocol")
        numbers = (request.engine_speed_rad_s, request.engine_torque_Nm, request.battery_power_W, request.regeneration,
                   *(request.machine_torque_Nm or ()))
        wrong = [x for x in numbers if x is not None and not isinstance(x, int | float | np.number)]
        if wrong:
            raise RunError(f"{where} asked for {wrong[0]!r}; expected a number or None")
        return request

    def _situation(self, k: int, present: int) -> Situation:
        course = self.course
        d, e = course.rows[k], float(self.energy_J[k])
        return Situation(k, *d, course.soc(e), e, course.ids[present] if present >= 0 else "", present, d[0] - self.changed_s,
                         present >= 0 and course.running[present], d[0] - self.switched_s, course.possible)

    def _interval(self, k: int, present: int, request: Request) -> int:
        """Correct and note the choice of one interval; returns its node."""
        course = self.course
        wanted = course.nodes_of.get(request.configuration, ())
        if not wanted:
            self.counts["interlock"] += 1
            wanted = self._lanes_of(present)
        elif present >= 0 and self._too_soon(k, present, wanted[0]):
            self.counts["configuration"] += 1
            wanted = self._lanes_of(present)
        asked = self._asked(request)
        node, P, fuel, flags = -1, math.inf, 0.0, 0
        for reserve_s in (self.reserve_s, 0.0):
            node, P, fuel, flags = self._settled(k, present, wanted, asked, request.lane, reserve_s)
            if node >= 0:
                break
            node, point = self._fallback(k, present, reserve_s)
            if node >= 0:
                self.counts["configuration"] += 1
                self.choice[k] = course.tables.choice[point]
                P, fuel = float(course.tables.power_W[point]), float(course.tables.fuel_g_s[point])
                break
        if node < 0:
            raise self._stuck(k)
        for bit, name in _BITS:
            if flags & bit:
                self.counts[name] += 1
        self._note(k, present, node, P, fuel)
        return node

    def _lanes_of(self, node: int) -> tuple[int, ...]:
        return self.course.nodes_of[self.course.ids[node]] if node >= 0 else ()

    def _settled(self, k: int, present: int, lanes: tuple[int, ...], asked: Asked, lane: int | None,
                 reserve_s: float) -> tuple[int, float, float, int]:
        """Node, power, fuel rate and corrections of the nearest possible choice in a configuration: in the lane of the engine speed asked
        for, or in the nearest that the engine's ramp allows. Node -1: not possible."""
        course, now = self.course, self.course.seconds[k]
        if len(lanes) > 1 and math.isnan(asked.f):
            asked = asked._replace(f=self._least_fuel_speed(k, lanes[0], asked, reserve_s))
        for node in self._nearest_first(lanes, asked.f, present, lane):
            if course.changes.stored[k, present, node] < HUGE:
                space = self._room(k, present, node, reserve_s)
                P, fuel, flags = settle(course.plant.arrays, course.bench, node, now, asked, space, self.choice[k])
                if not flags & kernel.IMPOSSIBLE:
                    return node, P, fuel, flags
        return -1, math.inf, 0.0, 0

    def _least_fuel_speed(self, k: int, node: int, asked: Asked, reserve_s: float) -> float:
        """Free engine speed of least fuel in the whole range; the middle of it where nothing is possible."""
        course = self.course
        space = room(course.plant.battery, self.energy_J[k], course.seconds[k].dt, course.keep(k, reserve_s)[node])
        undivided, c = course.undivided.arrays, course.plant.nodes[node].configuration
        choice = np.zeros_like(self.choice[k])
        _, _, flags = settle(undivided, make_bench(undivided), c, course.seconds[k], asked, space, choice)
        return 0.5 * float(undivided.free_low[c] + undivided.free_high[c]) if flags & kernel.IMPOSSIBLE else float(choice[0])

    def _nearest_first(self, lanes: tuple[int, ...], speed: float, present: int, lane: int | None) -> list[int]:
        """Nodes by the distance of their lane from a speed; of equals the lane asked for, then the present one, come first."""
        if len(lanes) <= 1:
            return list(lanes)
        nodes = self.course.plant.nodes
        apart = {n: max(nodes[n].low_rad_s - speed, speed - nodes[n].high_rad_s, BORDER_RAD_S) for n in lanes}
        return sorted(lanes, key=lambda n: (apart[n], nodes[n].lane != lane, n != present, n))

    def _too_soon(self, k: int, present: int, wanted: int) -> bool:
        """Whether the engine may not yet be started or stopped, by its own least times."""
        course, engine = self.course, self.course.plant.layout.engine.engine
        if course.running[present] == course.running[wanted]:
            return False
        least_s = engine.minimum_on_s if course.running[present] else engine.minimum_off_s
        return course.rows[k][0] - self.switched_s < least_s

    def _asked(self, r: Request) -> Asked:
        if r.engine_speed_rad_s is None and r.engine_torque_Nm is None and r.battery_power_W is None and (
                r.machine_torque_Nm is None and r.regeneration is None):
            return self.free
        inner = self.free.inner
        if r.machine_torque_Nm is not None:
            inner = np.zeros_like(inner)
            inner[:len(r.machine_torque_Nm)] = r.machine_torque_Nm[:inner.size]
        return Asked(_or_nan(r.engine_speed_rad_s), _or_nan(r.engine_torque_Nm), _or_nan(r.battery_power_W), inner, _or_nan(r.regeneration))

    def _room(self, k: int, present: int, node: int, reserve_s: float) -> Room:
        e = self.energy_J[k] - self.course.changes.stored[k, present, node]
        return room(self.course.plant.battery, e, self.course.seconds[k].dt, self.course.keep(k, reserve_s)[node])

    def _fallback(self, k: int, present: int, reserve_s: float) -> tuple[int, int]:
        course = self.course
        slope = FALLBACK_COSTATE / course.plant.heating_value_J_g
        price = Price(slope, 5.0, course.changes.stored[k, present], course.changes.fixed[present])
        return least_cost(course.frontier(k), course.plant.battery, float(self.energy_J[k]), course.seconds[k].dt,
                          course.keep(k, reserve_s), price, present)

    def _note(self, k: int, present: int, node: int, P: float, fuel: float) -> None:
        course, now = self.course, self.course.seconds[k]
        e = self.energy_J[k] - course.changes.stored[k, present, node]
        self.node[k] = node
        self.fuel_g[k] = fuel * now.dt
        self.energy_J[k + 1] = e - kernel.internal(room(course.plant.battery, e, now.dt, course.keep(k, 0.0)[node]), P) * now.dt
        if present < 0 or course.ids[node] != course.ids[present]:
            self.changed_s = course.rows[k][0]
            if course.running[node] != (present >= 0 and course.running[present]):
                self.switched_s = self.changed_s

    def _stuck(self, k: int) -> RunError:
        course, battery = self.course, self.course.plant.layout.battery
        soc = course.soc(float(self.energy_J[k]))
        return RunError(f"second {course.rows[k][0]:g}: no configuration can give {course.rows[k][6] / 1e3:.1f} kW at the wheels with the "
                        f"battery at {soc:.3f} (window {battery.soc_low:g} to {battery.soc_high:g}); "
                        "the strategy has brought the battery to an end of its window")


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else float(value)


def _simulation(course: Course, strategy: Strategy, driven: Driven) -> Simulation:
    plant, layout, tables = course.plant, course.plant.layout, course.tables
    trip = trace(plant, course.demand, tables.demands, tables.demand_of, driven.node, driven.choice, driven.energy_J, course.fixed_fuel_g,
                 course.fixed_price_g)
    fuel = layout.engine.engine.fuel
    km = course.demand.distance_m / 1e3
    return Simulation(
        layout=layout, cycle=course.cycle, strategy=strategy_name(strategy), plant=plant, trace=trip, node=driven.node,
        choice=driven.choice, energy_J=driven.energy_J, duration_s=float(course.demand.dt_s.sum()), distance_km=km,
        soc_start=course.soc(float(driven.energy_J[0])), soc_end=course.soc(float(driven.energy_J[-1])), fuel_g=driven.fuel_g,
        price_g=driven.price_g, objective_g=driven.objective_g, fuel_l_per_100km=100.0 * driven.fuel_g / fuel.density_g_l / km,
        engine_starts=driven.engine_starts, configuration_changes=driven.configuration_changes, corrections=driven.corrections,
        losses_kJ=trip.losses_kJ, energy_residual_percent=trip.energy_residual_percent, notes=tuple(getattr(strategy, "notes", ())),
        warnings=(*course.cycle.warnings, *_warnings(driven.corrections)))


def strategy_name(strategy: Strategy) -> str:
    """How a strategy calls itself, or the name of its class."""
    return str(getattr(strategy, "name", type(strategy).__name__))


def _warnings(corrections: Mapping[str, int]) -> list[str]:
    """What was corrected, in a sentence."""
    if not corrections:
        return []
    return ["requests corrected, in intervals: " + ", ".join(f"{name} {n}" for name, n in corrections.items())]
