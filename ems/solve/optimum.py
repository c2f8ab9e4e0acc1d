"""The optimum: tables, costate, dynamic programming, certificate, table error and audit, in that order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.errors import CycleNotFollowed, InputError, Mistake, RunError
from ems.kernels.frontier import Grid
from ems.kernels.jit import cached
from ems.layout.model import Layout
from ems.plant.battery_use import BatteryUse, battery_use
from ems.plant.counters import NO_WAITS, Waits, at_least
from ems.plant.modes import configuration_changes, engine_starts
from ems.plant.plant import LANES, Plant, build_plant
from ems.plant.trace import Trace, trace
from ems.solve.certificate import Bound
from ems.solve.charge import charge_of
from ems.solve.clock import Clock, Progress
from ems.solve.finer import Finely, proven_finely
from ems.solve.problem import Problem, build_problem, fixed_costs, transition_costs, with_tables
from ems.solve.shortfall import shortfall
from ems.solve.steps import aim_at, first_bound, refined_near
from ems.tables.build import DEFAULT_GRID, Tables, build_tables, coarse
from ems.trips.cycle import Cycle
from ems.trips.demand import Demand
from ems.trips.demand import demand as demand_of_cycle
from ems.types import Array

if TYPE_CHECKING:
    import pandas as pd

FirstTables = Callable[[Plant, Demand, Grid, Array], Tables]


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """The least fuel of a layout on a cycle, how near it is proven to be, and the trip that needs it. Units in the names.

    objective_g = fuel_g + price_g; lower_bound_g bounds it for the tables, gap_percent is the distance; table_error_percent is what
    tables of twice the points on every axis would still take off. warm_l_per_100km: of the warm engine, where it starts cold.
    recovered_percent: of the braking energy at the wheels. costate: fuel energy per electrochemical energy.
    """

    layout: Layout
    cycle: Cycle
    trace: Trace
    problem: Problem
    bound: Bound
    warnings: tuple[str, ...]
    duration_s: float
    distance_km: float
    soc_start: float
    soc_end: float
    surplus_J: float
    fuel_g: float
    price_g: float
    objective_g: float
    fuel_l_per_100km: float
    warm_l_per_100km: float | None
    co2_g_per_km: float
    lower_bound_g: float
    gap_percent: float
    gap_asked_percent: float | None
    table_error_percent: float
    costate: float
    costate_segments: tuple[dict[str, float], ...]
    engine_starts: int
    configuration_changes: int
    time_share: dict[str, float]
    losses_kJ: dict[str, float]
    stores_kJ: dict[str, float]
    energy_residual_percent: float
    recovered_percent: float
    floor_l_per_100km: float
    waits_s: dict[str, float]
    grid: dict[str, int]
    compile_s: float
    tables_s: float
    solve_s: float
    certificate_s: float

    @property
    def tables(self) -> Tables:
        """The frontier tables that were solved."""
        return self.problem.tables

    def to_dict(self) -> dict[str, Any]:
        """Everything but the objects, layout and cycle by name: the JSON of ``ems optimum``."""
        left_out = {"layout", "cycle", "trace", "problem", "bound"}
        out: dict[str, Any] = {"layout": self.layout.name, "cycle": self.cycle.name}
        out |= {f.name: getattr(self, f.name) for f in fields(self) if f.name not in left_out}
        return out | {"battery_use": self.battery_use.to_dict()}

    @property
    def battery_use(self) -> BatteryUse:
        """What the trip asks of the battery for longer than the ten seconds its limits hold for."""
        return battery_use(self.trace)

    def to_frame(self) -> pd.DataFrame:
        """The trip, one row an interval (see ``Trace.to_frame``)."""
        return self.trace.to_frame()


def optimum(layout: Layout, cycle: Cycle, *, charge: tuple[float, float] | None = None, progress: Progress | None = None,
            grid: Grid = DEFAULT_GRID, lanes: int = LANES, waits: Waits = NO_WAITS, cold: bool = False,
            gap_percent: float | None = None, first_tables: FirstTables = build_tables) -> Optimum:
    """The least fuel any control could need on a cycle, with its certificate.

    charge : state of charge at the start, and at least at the end; the battery's target for both when None
    progress : called with a few words at every step      grid : how finely the tables are made
    lanes : how many lanes the free engine speed is divided into
    waits : least times between changes; the engine's own least times hold beside them
    cold : the engine starts cold; the warm optimum is solved first, and its fuel warms the engine
    gap_percent : what the certified gap is to come down to; as much is done for it as can be, see ``gap_asked_percent``
    first_tables : ``build_tables``, or one that keeps and shares
    Raises ``InputError`` for a charge outside the window or an engine without cold data, ``CycleNotFollowed``, ``RunError``.
    """
    say = progress or (lambda _: None)
    clock = Clock()
    start_J, target_J = (float(layout.battery.energy_J(soc)) for soc in charge_of(layout.battery, charge))
    if cycle.distance_m <= 0.0:
        raise InputError([Mistake("--cycle", "", f"'{cycle.name}', which covers no distance", "a cycle on which the vehicle moves")])
    warm = None
    if cold:
        _cold_data(layout)
        warm = optimum(layout, cycle, charge=charge, progress=progress, grid=grid, lanes=lanes, waits=waits,
                       gap_percent=gap_percent, first_tables=first_tables)
    if not cached():
        say("compiling kernels, once for this version, half a minute")
        clock.lap("compile", _compile)
    say("deriving configurations")
    plant = build_plant(layout, lanes=lanes)
    demand = demand_of_cycle(cycle, layout.vehicle)
    say("frontier tables")
    tables = clock.lap("tables", lambda: first_tables(plant, demand, coarse(grid), np.zeros(0)))
    short = shortfall(tables)
    if short is not None:
        raise CycleNotFollowed(layout.name, cycle.name, short)
    fuel_factor = None if warm is None else cold_factor(warm)
    say("costate")
    waits = at_least(waits, layout.engine.engine.minimum_on_s, layout.engine.engine.minimum_off_s)
    problem, bound = clock.lap("solve", lambda: first_bound(build_problem(
        tables, start_J, target_J, transition_costs(tables, waits), fuel_factor)))
    say("refining tables")
    tables = clock.lap("tables", lambda: refined_near(problem, bound, grid))
    problem = with_tables(problem, tables)
    finely = proven_finely(problem, bound, grid, clock, say, aim_at(gap_percent))
    say("audit")
    return replace(result_of(layout, cycle, finely, clock, waits, warm), gap_asked_percent=gap_percent)


def _cold_data(layout: Layout) -> None:
    if layout.engine.engine.cold is None:
        raise InputError([Mistake("--cold", "", f"engine '{layout.engine.engine.name}' without cold-start data",
                                  "an engine whose file has a table [cold]")])


def cold_factor(warm: Optimum) -> Array:
    """(K,) fuel over that of the warm engine, at the middle of each interval, as if the warm optimum's trip were driven cold.

    A schedule that is the same for every control: who burns more in the first minutes warms the engine sooner than it says.
    """
    engine, columns, dt_s = warm.layout.engine.engine, warm.trace.columns, warm.trace.demand.dt_s
    assert engine.cold is not None
    rate_g_s = np.asarray(columns["fuel_g_s"], float) + np.asarray(columns["transition_fuel_g"], float) / dt_s
    return engine.cold.driven(engine.fuel.heating_value_J_g * rate_g_s, dt_s)


def _compile() -> None:
    """Compiles every kernel by running a few seconds of a shipped trip; what the cache holds is loaded where it is first called."""
    from ems.solve.warm_up import warm_up

    warm_up()


def result_of(layout: Layout, cycle: Cycle, finely: Finely, clock: Clock, waits: Waits, warm: Optimum | None) -> Optimum:
    """A trip that was driven, traced and audited, with what is proven of it.

    Raises ``RunError`` where the bound lies above the trip: then the proof is wrong, and must not be printed.
    """
    problem, found, missed_g = finely
    if found.lower_g > found.driven.objective_g * (1.0 + 1e-9) + 1e-6:
        raise RunError(f"the lower bound, {found.lower_g:.6f} g, lies above a trip of {found.driven.objective_g:.6f} g: "
                       "a mistake in ems, please report it with the layout and the cycle")
    plant, tables, driven, bound = problem.plant, problem.tables, found.driven, found.bound
    fuel_fixed, price_fixed = fixed_costs(plant)
    trip = trace(plant, tables.demand, tables.demands, tables.demand_of, driven.node, tables.choice[driven.point], driven.energy_J,
                 fuel_fixed, price_fixed, problem.fuel_factor)
    before = np.concatenate([[len(plant.nodes)], driven.node[:-1]])
    price_g = float(price_fixed[before, driven.node].sum())
    fuel = layout.engine.engine.fuel
    km = tables.demand.distance_m / 1e3
    fuel_g = driven.objective_g - price_g
    litres = fuel_g / fuel.density_g_l
    return Optimum(
        layout=layout, cycle=cycle, trace=trip, problem=problem, bound=bound, warnings=cycle.warnings,
        duration_s=float(tables.demand.dt_s.sum()), distance_km=km,
        soc_start=float(layout.battery.soc_at(driven.energy_J[0])), soc_end=float(layout.battery.soc_at(driven.energy_J[-1])),
        surplus_J=float(driven.energy_J[-1] - problem.target_J), fuel_g=fuel_g, price_g=price_g, objective_g=driven.objective_g,
        fuel_l_per_100km=100.0 * litres / km, warm_l_per_100km=None if warm is None else warm.fuel_l_per_100km,
        co2_g_per_km=litres * fuel.co2_g_l / km,
        lower_bound_g=found.lower_g, gap_percent=_percent(driven.objective_g - found.lower_g, driven.objective_g), gap_asked_percent=None,
        table_error_percent=_percent(missed_g, driven.objective_g),
        costate=float(bound.costate_g_J[0]) * plant.heating_value_J_g, costate_segments=_segment_rows(problem, bound),
        engine_starts=engine_starts(plant, driven.node), configuration_changes=configuration_changes(plant, driven.node),
        time_share=_time_share(trip, tables.demand.dt_s),
        losses_kJ=trip.losses_kJ, stores_kJ=trip.stores_kJ, energy_residual_percent=trip.energy_residual_percent,
        recovered_percent=_recovered_percent(trip, tables.demand.dt_s),
        floor_l_per_100km=floor_l_per_100km(layout, problem),
        waits_s={"dwell": waits.dwell_s, "engine_on": waits.engine_on_s, "engine_off": waits.engine_off_s},
        grid={**tables.grid._asdict(), "battery_nodes": driven.nodes, "lanes": 1 + max(n.lane for n in plant.nodes),
              "nodes": len(plant.nodes), "states": problem.states, "points": int(tables.fuel_g_s.size)},
        compile_s=clock.seconds.get("compile", 0.0), tables_s=clock.seconds["tables"], solve_s=clock.seconds["solve"],
        certificate_s=clock.seconds["certificate"])


def _recovered_percent(trip: Trace, dt_s: Array) -> float:
    """Share of the braking energy at the wheels that the powertrain takes instead of the friction brakes."""
    braking_kW = np.maximum(-np.asarray(trip.columns["wheel_power_kW"], float), 0.0)
    friction_kW = np.minimum(np.asarray(trip.columns["brake_power_kW"], float), braking_kW)
    return _percent(float(np.sum((braking_kW - friction_kW) * dt_s)), float(np.sum(braking_kW * dt_s)))


def _percent(part: float, whole: float) -> float:
    """Share in percent; nothing of nothing is nothing (a trip without fuel)."""
    return 100.0 * part / whole if whole > 1e-6 else 0.0


def floor_l_per_100km(layout: Layout, problem: Problem) -> float:
    """Net tractive energy and auxiliaries over the engine's best efficiency: what no control and no transmission goes below.

    Charge taken from the battery counts as given.
    """
    demand, fuel = problem.tables.demand, layout.engine.engine.fuel
    needed_J = demand.net_tractive_energy_J + demand.auxiliary_energy_J + problem.target_J - problem.start_J
    grams = max(needed_J, 0.0) / layout.engine.engine.best_efficiency() / fuel.heating_value_J_g
    return 100.0 * grams / fuel.density_g_l / (demand.distance_m / 1e3)


def _segment_rows(problem: Problem, bound: Bound) -> tuple[dict[str, float], ...]:
    time_s = np.append(problem.tables.demand.time_s, problem.tables.demand.time_s[-1] + problem.tables.demand.dt_s[-1])
    rows = []
    for s in range(bound.values_g_J.size):
        inside = np.flatnonzero(bound.segments == s)
        if inside.size:
            rows.append({"start_s": float(time_s[inside[0]]), "end_s": float(time_s[min(inside[-1] + 1, time_s.size - 1)]),
                         "costate": float(bound.values_g_J[s]) * problem.plant.heating_value_J_g})
    return tuple(rows)


def _time_share(trip: Trace, dt_s: Array) -> dict[str, float]:
    share: dict[str, float] = {}
    for label, seconds in zip(trip.columns["mode"], dt_s, strict=True):
        share[str(label)] = share.get(str(label), 0.0) + float(seconds)
    total = float(dt_s.sum())
    return {label: share[label] / total for label in sorted(share, key=lambda word: -share[word])}
