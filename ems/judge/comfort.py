"""What comfort costs: the least fuel over starts and changes per kilometre, and what each change does to the car.

A front is found with prices of starts and changes. Each of its points proves something: where the priced optimum is bounded by L and its
trip pays p in prices, no trip with at most as many starts and changes needs less fuel than L - p (Lagrangian relaxation; H. Everett,
Operations Research 11, 1963, from memory). Hard limits are other settings of the solver and stand beside the prices: least times,
a ramp of the free engine speed (it acts between lanes, so it is as fine as they are), a ceiling of engine speed at low speeds.
Noise, vibration, emissions and durability are outside these numbers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.configurations import EngineState
from ems.errors import CycleNotFollowed, RunError
from ems.judge.bars import Bar
from ems.judge.force_curves import battery_gives_W, force_curves
from ems.judge.full_throttle import changes
from ems.kernels.frontier import Grid
from ems.layout.model import Layout
from ems.layout.without import digested
from ems.plant.counters import Waits
from ems.plant.plant import LANES, Ceiling, build_plant
from ems.quantities import RAD_S_PER_RPM
from ems.solve.again import solved_again
from ems.solve.clock import Progress
from ems.solve.optimum import FirstTables, Optimum, optimum
from ems.tables.build import DEFAULT_GRID, build_tables
from ems.trips.cycle import Cycle

if TYPE_CHECKING:
    import pandas as pd

SHIFT_PRICES_G = (0.02, 0.05, 0.1, 0.2, 0.5)
START_PRICES_G = (0.1, 0.3, 1.0)
DWELL_S = (2.0, 4.0, 6.0)
ENGINE_ON_S = (5.0,)
RAMP_RPM_S = (500.0,)
CEILING_RPM = (2000.0,)
CEILING_BELOW_KMH = 40.0
OUTSIDE = "Noise, vibration, emissions and durability are outside these numbers."


@dataclass(frozen=True, slots=True)
class Setting:
    """How comfort is asked for.

    name : in words      shift_price_g, start_price_g : prices; None: as the layout has them
    limits : further keywords of ``optimum``, hard limits such as a least time in a configuration
    ramp_rpm_s : most change of a free engine speed by second; None: as the engine has it
    """

    name: str
    shift_price_g: float | None = None
    start_price_g: float | None = None
    limits: Mapping[str, Any] = field(default_factory=dict)
    ramp_rpm_s: float | None = None


@dataclass(frozen=True, slots=True)
class Point:
    """One point of the front.

    fuel : l/100 km without prices; low: no trip with as few starts and changes needs less, with a limit none that keeps it
    starts, changes : on the trip, and per km      on_front : nothing found is better in fuel, starts and changes at once
    """

    setting: str
    fuel: Bar | None
    starts: int
    changes: int
    starts_per_km: float
    changes_per_km: float
    on_front: bool = False
    why: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Comfort:
    """The points of the front, and the changes of the trip without prices, one a row (see ``change_events``)."""

    base: Optimum
    points: tuple[Point, ...]
    events: tuple[dict[str, Any], ...]

    def to_dict(self) -> dict[str, Any]:
        """The JSON of ``ems comfort``."""
        return {"layout": self.base.layout.name, "cycle": self.base.cycle.name, "points": [asdict(p) for p in self.points],
                "changes": list(self.events), "outside": OUTSIDE}

    def to_frame(self) -> pd.DataFrame:
        """The changes, one row each, indexed by time_s."""
        import pandas as pd

        return pd.DataFrame(list(self.events)).set_index("time_s") if self.events else pd.DataFrame()


def settings(shift_prices_g: Sequence[float] = SHIFT_PRICES_G, start_prices_g: Sequence[float] = START_PRICES_G,
             dwell_s: Sequence[float] = DWELL_S, engine_on_s: Sequence[float] = ENGINE_ON_S, ramp_rpm_s: Sequence[float] = RAMP_RPM_S,
             ceiling_rpm: Sequence[float] = CEILING_RPM) -> list[Setting]:
    """Prices of changes and of starts, and hard limits, one at a time."""
    return [*(Setting(f"{price:g} g a change", shift_price_g=price) for price in shift_prices_g),
            *(Setting(f"{price:g} g a start", start_price_g=price) for price in start_prices_g),
            *(Setting(f"{s:g} s in a configuration", limits={"waits": Waits(dwell_s=s)}) for s in dwell_s),
            *(Setting(f"engine on for {s:g} s", limits={"waits": Waits(engine_on_s=s)}) for s in engine_on_s),
            *(Setting(f"free engine speed by {rpm:g} rpm/s", ramp_rpm_s=rpm) for rpm in ramp_rpm_s),
            *(Setting(f"engine to {rpm:g} rpm below {CEILING_BELOW_KMH:g} km/h", limits={"first_tables": tables_under(
                Ceiling(rpm * RAD_S_PER_RPM, CEILING_BELOW_KMH / 3.6))}) for rpm in ceiling_rpm)]


def tables_under(ceiling: Ceiling) -> FirstTables:
    """How tables are made that keep to a ceiling of engine speed; whatever is added to them keeps to it too."""
    return lambda plant, demand, grid, slopes: build_tables(replace(plant, ceiling=ceiling), demand, grid, slopes)


def comfort(layout: Layout, cycle: Cycle, *, asked: Sequence[Setting] | None = None, charge: tuple[float, float] | None = None,
            grid: Grid = DEFAULT_GRID, lanes: int = LANES, progress: Progress | None = None) -> Comfort:
    """Least fuel over starts and changes per km.

    asked : settings beside the layout as it is; ``settings()`` when None      charge, grid, lanes : as of ``optimum``
    Raises ``CycleNotFollowed``, ``InputError``, ``RunError`` for the layout as it is; a setting that fails is a point with its reason.
    """
    say = progress or (lambda _: None)
    base = optimum(layout, cycle, charge=charge, grid=grid, lanes=lanes, progress=say)
    points = [_point("as the layout is", base)]
    for setting in settings() if asked is None else asked:
        say(setting.name)
        try:
            points.append(_point(setting.name, _solved(base, setting, charge, grid, lanes)))
        except (CycleNotFollowed, RunError) as error:
            points.append(Point(setting.name, None, 0, 0, 0.0, 0.0, False, str(error)))
    return Comfort(base, tuple(_marked(points)), tuple(change_events(base)))


def _solved(base: Optimum, setting: Setting, charge: tuple[float, float] | None, grid: Grid, lanes: int) -> Optimum:
    if not setting.limits and setting.ramp_rpm_s is None:
        return solved_again(base, shift_price_g=setting.shift_price_g, start_price_g=setting.start_price_g)
    old = base.layout
    layout = replace(old, shift_price_g=old.shift_price_g if setting.shift_price_g is None else setting.shift_price_g,
                     start_price_g=old.start_price_g if setting.start_price_g is None else setting.start_price_g)
    if setting.ramp_rpm_s is not None:
        slow = replace(old.engine.engine, speed_ramp_rad_s2=setting.ramp_rpm_s * RAD_S_PER_RPM)
        layout = digested(replace(layout, engine=replace(old.engine, engine=slow)))
    return optimum(layout, base.cycle, charge=charge, grid=grid, lanes=lanes, **setting.limits)


def _point(name: str, found: Optimum) -> Point:
    per_gram = 100.0 / found.layout.engine.engine.fuel.density_g_l / found.distance_km
    unsure_g = found.objective_g * found.table_error_percent / 100.0
    fuel = Bar(found.fuel_g * per_gram, (found.lower_bound_g - unsure_g - found.price_g) * per_gram, found.fuel_g * per_gram)
    return Point(name, fuel, found.engine_starts, found.configuration_changes, found.engine_starts / found.distance_km,
                 found.configuration_changes / found.distance_km)


def _marked(points: Sequence[Point]) -> list[Point]:
    """Points with ``on_front`` set: none has fewer starts or changes for no more fuel, or as many for provably less."""
    known = [p for p in points if p.fuel is not None]
    return [replace(p, on_front=p.fuel is not None and not any(_beats(o, p) for o in known)) for p in points]


def _beats(other: Point, point: Point) -> bool:
    assert other.fuel is not None and point.fuel is not None
    if other.starts > point.starts or other.changes > point.changes:
        return False
    if (other.starts, other.changes) == (point.starts, point.changes):
        return other.fuel.value < point.fuel.low
    return other.fuel.value <= point.fuel.value


def change_events(found: Optimum) -> list[dict[str, Any]]:
    """Every change of configuration on a trip and what it does to the car, were it to take the time it takes on the road.

    wanted_N : wheel force the cycle asks for; held_N : of it, what those parts can give that stay engaged throughout (short-time ratings);
    hole_N : the rest while driving, friction brakes fill it while braking; impulse_Ns, slowing_m_s2 : what the hole does to the car.
    """
    trip, demand, vehicle = found.trace, found.trace.demand, found.layout.vehicle
    plant = build_plant(found.layout, found.problem.plant.derivation, lanes=1)         # one node a configuration
    node = np.array([found.problem.plant.nodes[n].configuration for n in trip.node])
    at = np.flatnonzero(node[1:] != node[:-1]) + 1
    if not at.size:
        return []
    table = changes(plant)
    speeds = demand.boundary_speed_m_s[at]
    force = force_curves(plant, speeds, gives_W=battery_gives_W(plant, found.layout.battery.soc_target)).force_N
    rows = []
    for i, k in enumerate(at):
        a, b = int(node[k - 1]), int(node[k])
        before, after = plant.configuration(a), plant.configuration(b)
        wanted = float(demand.force_N[k]) if speeds[i] > 0.0 else 0.0
        most = max([float(np.nan_to_num(force[i, n])) for n in table.bridges[a, b]], default=0.0)
        hole = max(wanted - most, 0.0)
        lasts = float(table.duration_s[a, b])
        rows.append({
            "time_s": float(demand.time_s[k]), "speed_kmh": float(3.6 * speeds[i]), "from": before.id, "to": after.id,
            "start": before.engine is EngineState.STOPPED and after.engine is EngineState.RUNNING, "lasts_s": lasts, "wanted_N": wanted,
            "held_N": min(most, wanted) if wanted > 0.0 else wanted, "hole_N": hole, "impulse_Ns": hole * lasts,
            "slowing_m_s2": hole / (vehicle.mass_kg + vehicle.rotating_mass_kg)})
    return rows
