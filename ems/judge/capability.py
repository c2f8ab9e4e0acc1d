"""What a layout can do on the road: force, acceleration, top speed, grades, with short-time and with continuous ratings.

Every figure is for two charges: the battery's target (``normal``), and the lower end of its window (``low``), where
the battery gives nothing more and the engine has to make what the machines use. Runs and the start grade at low charge
leave it what consumers and resting machines take, or a car whose machine turns with its wheels could never move off.
Every run is solved for itself and begins, at either charge, with the engine stopped where the car drives so at normal charge:
more charge can then never make it slower. Grades are rise over run in percent.

References: the equation of motion and grip of a driven axle as in Guzzella & Sciarretta, Vehicle Propulsion Systems,
ch. 2 (from memory); that peak ratings last ``peak_time_s`` and continuous ones for ever is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.components.vehicle import GRAVITY_M_S2
from ems.configurations import EngineState
from ems.judge.force_curves import ForceCurves, battery_gives_W, force_curves, road_load_N, speeds_m_s
from ems.judge.full_throttle import Changes, Sprint, Tyres, changes, sprint, traction, tyres_of
from ems.kernels.battery import electrochemical, state
from ems.layout.model import Layout
from ems.plant.plant import Plant, build_plant
from ems.types import BoolArray

if TYPE_CHECKING:
    import pandas as pd

HOLD_S = 600.0
SPRINTS_KMH = ((0.0, 50.0), (0.0, 100.0), (80.0, 120.0))
CLIMBS = ((5.0, 110.0), (12.0, 80.0))       # grade [%], speed [km/h] to be held for HOLD_S
MOVING_OFF_KMH = 10.0                       # up to here the start grade must be held
_HALVINGS = 18


@dataclass(frozen=True, slots=True)
class Climb:
    """Holding a speed on a grade for ten minutes.

    held_s : how long the speed is held      derated_s : the rest of the ten minutes, machines down to continuous torque or battery empty
    then_kmh : speed that can be held for ever       how : what the held seconds rest on
    """

    grade_percent: float
    speed_kmh: float
    held_s: float
    derated_s: float
    then_kmh: float
    how: str


@dataclass(frozen=True, slots=True)
class Figures:
    """Capability at one charge; a time is None when the speed is never reached.

    soc : charge      most_power_kW, lasting_power_kW : largest wheel power of any configuration, short-time and continuous
    top_speed_kmh : short-time       lasting_top_speed_kmh : continuous ratings, battery giving nothing
    start_grade_percent : moves off, short-time torque and grip       full_power_s : how long the battery gives its most from here
    """

    soc: float
    time_0_50_s: float | None
    time_0_100_s: float | None
    time_80_120_s: float | None
    top_speed_kmh: float
    lasting_top_speed_kmh: float
    start_grade_percent: float
    most_power_kW: float
    lasting_power_kW: float
    full_power_s: float
    climbs: tuple[Climb, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Capability:
    """What a layout can do, at normal and at low charge.

    curves : by charge and rating, ('low', 'lasting') for instance      sprints : the quickest way to 100 km/h by charge
    """

    layout: Layout
    tyres: Tyres
    normal: Figures
    low: Figures
    curves: dict[tuple[str, str], ForceCurves]
    sprints: dict[str, Sprint]

    def to_dict(self) -> dict[str, Any]:
        """Figures, runs and assumptions, as JSON knows them."""
        return {"layout": self.layout.name, "tyres": asdict(self.tyres), "normal": asdict(self.normal), "low": asdict(self.low),
                "run_0_100": {charge: list(run.steps) for charge, run in self.sprints.items()}}

    def to_frame(self) -> pd.DataFrame:
        """Wheel force over speed at normal charge with short-time ratings, one column a configuration [N]."""
        return self.curves["normal", "short"].to_frame()


def capability(layout: Layout, *, tyres: Tyres | None = None, plant: Plant | None = None,
               climbs: Sequence[tuple[float, float]] = CLIMBS) -> Capability:
    """Capability of a layout.

    tyres : grip and weight distribution; as the vehicle says when None     plant : of the layout with one lane, where there is one already
    climbs : (grade in percent, speed in km/h) to be held for ten minutes
    """
    plant, tyres = plant or build_plant(layout, lanes=1), tyres or tyres_of(layout)
    speeds = speeds_m_s(plant, [v for pair in SPRINTS_KMH for v in pair])
    table = changes(plant)
    charges = {"normal": layout.battery.soc_target, "low": layout.battery.soc_low}
    curves: dict[tuple[str, str], ForceCurves] = {}
    for charge, soc in charges.items():
        gives_W = battery_gives_W(plant, soc)
        curves[charge, "short"] = force_curves(plant, speeds, gives_W=max(gives_W, _standing_W(plant)), gathering=True)
        curves[charge, "lasting"] = force_curves(plant, speeds, gives_W=gives_W, lasting=True)
    begin = [beginnings(curves["normal", "short"], start_kmh) for start_kmh, _ in SPRINTS_KMH]
    runs = {charge: [run(curves[charge, "short"], table, tyres, span, nodes) for span, nodes in zip(SPRINTS_KMH, begin, strict=True)]
            for charge in charges}
    normal, low = (_figures(curves, charge, soc, runs[charge], tyres, climbs) for charge, soc in charges.items())
    return Capability(layout, tyres, normal, low, curves, {charge: runs[charge][1] for charge in charges})


def brief(layout: Layout, tyres: Tyres | None = None) -> dict[str, float | None]:
    """Time to 100 km/h, start grade and largest wheel power at normal charge, short-time ratings: enough to see a weaker car."""
    plant, tyres = build_plant(layout, lanes=1), tyres or tyres_of(layout)
    speeds = speeds_m_s(plant, SPRINTS_KMH[1])
    curves = force_curves(plant, speeds, gives_W=battery_gives_W(plant, layout.battery.soc_target), gathering=True)
    span = SPRINTS_KMH[1]
    return {"time_0_100_s": run(curves, changes(plant), tyres, span, beginnings(curves, span[0])).time_s,
            "start_grade_percent": start_grade_percent(curves, tyres), "most_power_kW": curves.most_power_W / 1e3}


def beginnings(curves: ForceCurves, start_kmh: float) -> list[int]:
    """Nodes in which a run from a speed begins: those with the engine stopped where the car drives so, else all that drive."""
    i = int(np.argmin(np.abs(3.6 * curves.speed_m_s - start_kmh)))
    can = curves.force_N[i] > curves.resistance_N[i]
    stopped = np.array([curves.plant.configuration(n).engine is EngineState.STOPPED for n in range(can.size)])
    return np.flatnonzero(can & stopped if (can & stopped).any() else can).tolist()


def run(curves: ForceCurves, table: Changes, tyres: Tyres, span_kmh: tuple[float, float], begin: Sequence[int]) -> Sprint:
    """The quickest run from one speed to another that begins in one of some nodes, whether or not it pulls there at this charge."""
    if not begin or span_kmh[1] > 3.6 * curves.speed_m_s[-1] + 1e-9:
        return Sprint(None)
    return sprint(curves, table, tyres, span_kmh[0] / 3.6, span_kmh[1] / 3.6, begin)


def _figures(curves: dict[tuple[str, str], ForceCurves], charge: str, soc: float, runs: Sequence[Sprint], tyres: Tyres,
             climbs: Sequence[tuple[float, float]]) -> Figures:
    short, lasting, alone = curves[charge, "short"], curves[charge, "lasting"], curves["low", "lasting"]
    plant = short.plant
    full_s = _full_power_s(plant, soc)
    return Figures(
        soc=soc, time_0_50_s=runs[0].time_s, time_0_100_s=runs[1].time_s, time_80_120_s=runs[2].time_s,
        top_speed_kmh=top_speed_kmh(short), lasting_top_speed_kmh=top_speed_kmh(alone),
        start_grade_percent=start_grade_percent(short, tyres), most_power_kW=short.most_power_W / 1e3,
        lasting_power_kW=lasting.most_power_W / 1e3, full_power_s=full_s,
        climbs=tuple(climb(plant, grade, kmh, soc, alone) for grade, kmh in climbs))


def _full_power_s(plant: Plant, soc: float) -> float:
    """Seconds for which the battery can give its most from a charge down to the lower end of its window."""
    gives_W = battery_gives_W(plant, soc)
    return _stored_J(plant, soc) / _store_power_W(plant, soc, gives_W) if gives_W > 0.0 else 0.0


def _standing_W(plant: Plant) -> float:
    """What auxiliaries and machines take at standstill, actuators held, and a tenth more for a little torque."""
    layout = plant.layout
    rest_W = sum(float(use.machine.loss_at_W(0.0, 0.0)) for use in layout.machines)
    return 1.1 * (layout.vehicle.auxiliary_W + rest_W + float(plant.arrays.hold_W.max()))


def _stored_J(plant: Plant, soc: float) -> float:
    battery = plant.layout.battery
    return max(float(battery.energy_J(soc)) - float(battery.energy_J(battery.soc_low)), 0.0)


def _store_power_W(plant: Plant, soc: float, terminal_W: float) -> float:
    """Power drawn from the store for a terminal power, battery half way down to the lower end of its window."""
    battery = plant.layout.battery
    _, v, rd, _ = state(plant.battery, float(battery.energy_J(0.5 * (soc + battery.soc_low))))
    return float(electrochemical(terminal_W, rd / v**2))


def needed_N(layout: Layout, speed_m_s: float, grade_percent: float) -> float:
    """Wheel force for a constant speed on a grade."""
    slope = np.arctan(grade_percent / 100.0)
    vehicle = layout.vehicle
    load = float(road_load_N(vehicle, np.array([speed_m_s]))[0]) - vehicle.f0_N * (1.0 - float(np.cos(slope)))
    return load + vehicle.mass_kg * GRAVITY_M_S2 * float(np.sin(slope))


def start_grade_percent(curves: ForceCurves, tyres: Tyres) -> float:
    """Steepest grade on which the car moves off: the least envelope up to 10 km/h against the grade, within grip."""
    axles, slow = traction(curves), 3.6 * curves.speed_m_s <= MOVING_OFF_KMH + 1e-9
    own_N = {name: float(force[slow].min()) for name, force in axles.own_N.items()}
    steepest = {driven: tyres.steepest(curves.plant.layout, driven, own_N) for driven in set(axles.driven)}
    return max(_start_grade_percent(curves, slow, np.array([d == driven for d in axles.driven]), most) for driven, most in steepest.items())


def _start_grade_percent(curves: ForceCurves, slow: BoolArray, nodes: BoolArray, steepest: float) -> float:
    """The same with some nodes only, on grades up to the steepest that their tyres can climb."""
    layout = curves.plant.layout
    force_N = float(np.nan_to_num(curves.force_N[np.ix_(slow, nodes)], nan=0.0).max(axis=1).min())
    low, _ = _turn(lambda grade: needed_N(layout, 0.0, 100.0 * grade) > force_N, max(steepest, 0.0), 40)
    return 100.0 * low


def top_speed_kmh(curves: ForceCurves, grade_percent: float = 0.0) -> float:
    """Highest speed at which the envelope carries the road load and the grade; 0 where it never does."""
    layout = curves.plant.layout
    left_N = curves.envelope_N - np.array([needed_N(layout, v, grade_percent) for v in curves.speed_m_s])
    enough = np.flatnonzero(left_N >= 0.0)
    if not enough.size:
        return 0.0
    i = int(enough[-1])
    v = curves.speed_m_s
    if i == v.size - 1 or curves.envelope_N[i + 1] <= 0.0:
        return float(3.6 * v[i])                                # a speed limit, not force, ends it
    return float(3.6 * (v[i] + (v[i + 1] - v[i]) * left_N[i] / (left_N[i] - left_N[i + 1])))


def climb(plant: Plant, grade_percent: float, speed_kmh: float, soc: float, alone: ForceCurves) -> Climb:
    """How long a speed is held on a grade: for ever, until the battery is empty, or as long as peak torque lasts.

    alone : curves with continuous ratings and no power from the battery
    """
    need_N = needed_N(plant.layout, speed_kmh / 3.6, grade_percent)
    speed = np.array([speed_kmh / 3.6])
    gives_W, stored_J = battery_gives_W(plant, soc), _stored_J(plant, soc)
    if _force_N(plant, speed, 0.0, True) >= need_N:
        return Climb(grade_percent, speed_kmh, HOLD_S, 0.0, speed_kmh, "continuous ratings, engine alone")
    then_kmh = top_speed_kmh(alone, grade_percent)
    continuous_s = _battery_s(plant, speed, need_N, soc, gives_W, stored_J, True)
    peak_s = min([HOLD_S, *(m.machine.peak_time_s for m in plant.layout.machines)])
    if continuous_s > 0.0:
        held, how = continuous_s, "continuous ratings, engine and battery"
    elif _force_N(plant, speed, 0.0, False) >= need_N:
        held, how = peak_s, "short-time ratings, engine alone"
    else:
        held = min(peak_s, _battery_s(plant, speed, need_N, soc, gives_W, stored_J, False))
        how = "short-time ratings, engine and battery" if held > 0.0 else "out of reach"
    held = min(held, HOLD_S)
    return Climb(grade_percent, speed_kmh, held, HOLD_S - held, then_kmh, how)


def _force_N(plant: Plant, speed: np.ndarray[Any, np.dtype[np.float64]], gives_W: float, lasting: bool) -> float:
    return float(force_curves(plant, speed, gives_W=gives_W, lasting=lasting).envelope_N[0])


def _battery_s(plant: Plant, speed: np.ndarray[Any, np.dtype[np.float64]], need_N: float, soc: float, gives_W: float, stored_J: float,
               lasting: bool) -> float:
    """Seconds until the battery is empty when it gives no more than the force needs; 0 when its most is not enough."""
    if gives_W <= 0.0 or _force_N(plant, speed, gives_W, lasting) < need_N:
        return 0.0
    _, least_W = _turn(lambda given_W: _force_N(plant, speed, given_W, lasting) >= need_N, gives_W, _HALVINGS)
    return stored_J / _store_power_W(plant, soc, least_W)


def _turn(holds: Callable[[float], bool], high: float, halvings: int) -> tuple[float, float]:
    """Where something begins to hold between nothing and a value at which it does, by bisection: last without, first with."""
    low = 0.0
    for _ in range(halvings):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if holds(middle) else (middle, high)
    return low, high


FIGURES = tuple(f.name for f in fields(Figures) if f.name != "climbs")
