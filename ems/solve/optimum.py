"""The optimum: tables, costate, dynamic programming, certificate, table error and audit, in that order."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, fields
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from ems.errors import CycleNotFollowed, InputError, Mistake, RunError
from ems.kernels.frontier import Grid
from ems.kernels.jit import cached
from ems.layout.model import Layout
from ems.plant.plant import build_plant
from ems.plant.trace import Trace, trace
from ems.solve.cells import raised_bound_g
from ems.solve.certificate import Bound, best_bound, pruned
from ems.solve.costate import costate_shape, solve_costate
from ems.solve.dynamic import Driven, full_corridor, narrow_corridor, solve_dynamic
from ems.solve.problem import Problem, build_problem, fixed_costs
from ems.solve.shortfall import shortfall
from ems.tables.build import DEFAULT_GRID, Tables, added, build_tables, coarse, refined
from ems.trips.cycle import Cycle
from ems.trips.demand import demand as demand_of_cycle
from ems.types import Array, BoolArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

FIRST_COSTATE = 2.5             # fuel energy per electrochemical energy: where the search begins
COARSE_NODES, FINE_NODES = 401, 301
CORRIDORS = (0.025, 0.004)      # half widths of the fine corridors, share of the window
EFFORTS = 2                     # how often more effort is spent while the relative gap is wider than one of the next two
GOOD_FREE, GOOD_BINDING = 0.0005, 0.0015
CELLS = (3000,)                 # cells of stored energy in which the bound is raised, while the gap is above GOOD_FREE
SLACK = 0.0004                  # cost above the bound beyond which points are not looked at in the first sweep, relative
SPREAD = (0.985, 1.0, 1.015)    # slopes around each costate segment at which supporting points are sought
SLACK_TABLES = 0.0002           # the same for the nodes whose tables are refined
CONTACT = 0.08                  # share of the window within which a turn of the trajectory may be a contact (more only costs time)

Progress = Callable[[str], None]
T = TypeVar("T")


@dataclass(frozen=True, slots=True, eq=False)
class Optimum:
    """The least fuel of a layout on a cycle, how near it is proven to be, and the trip that needs it. Units in the names.

    objective_g = fuel_g + price_g; lower_bound_g bounds it for the tables, gap_percent is the distance; table_error_percent is what
    tables of twice the points on every axis would still take off. costate: fuel energy per electrochemical energy.
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
    co2_g_per_km: float
    lower_bound_g: float
    gap_percent: float
    table_error_percent: float
    costate: float
    costate_segments: tuple[dict[str, float], ...]
    engine_starts: int
    configuration_changes: int
    time_share: dict[str, float]
    losses_kJ: dict[str, float]
    stores_kJ: dict[str, float]
    energy_residual_percent: float
    floor_l_per_100km: float
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
        return out | {f.name: getattr(self, f.name) for f in fields(self) if f.name not in left_out}

    def to_frame(self) -> pd.DataFrame:
        """The trip, one row an interval (see ``Trace.to_frame``)."""
        return self.trace.to_frame()


def optimum(layout: Layout, cycle: Cycle, *, charge: tuple[float, float] | None = None, progress: Progress | None = None,
            grid: Grid = DEFAULT_GRID, lanes: int = 1) -> Optimum:
    """The least fuel any control could need on a cycle, with its certificate.

    charge : state of charge at the start, and at least at the end; the battery's target for both when None
    progress : called with a few words at every step      grid : how finely the tables are made
    lanes : how many lanes the free engine speed is divided into
    Raises ``InputError`` for a charge outside the window, ``CycleNotFollowed``, ``RunError``.
    """
    say = progress or (lambda _: None)
    clock = _Clock()
    start_J, target_J = _charge(layout, charge)
    say("loading kernels" if cached() else "compiling kernels, once for this version, about a minute")
    clock.lap("compile", _compile)
    say("deriving configurations")
    plant = build_plant(layout, lanes=lanes)
    demand = demand_of_cycle(cycle, layout.vehicle)
    say("frontier tables")
    tables = clock.lap("tables", lambda: build_tables(plant, demand, coarse(grid), np.zeros(0)))
    short = shortfall(tables)
    if short is not None:
        raise CycleNotFollowed(layout.name, cycle.name, short)
    say("costate")
    problem, _, bound = clock.lap("solve", lambda: _first_bound(build_problem(tables, start_J, target_J)))
    say("refining tables")
    tables = clock.lap("tables", lambda: _refined_near(problem, bound, grid))
    problem = build_problem(tables, start_J, target_J, problem.changes)
    driven, bound = _driven_and_bound(problem, bound, clock, say)
    lower_g = clock.lap("certificate", lambda: _raised(problem, bound, driven.objective_g, say))
    say("how much finer tables would take off")
    finer = clock.lap("certificate", lambda: _finer_bound(problem, bound, grid))
    say("audit")
    return _result(layout, cycle, problem, driven, bound, lower_g, finer, clock)


class _Clock:
    """Seconds spent, by name."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def lap(self, name: str, work: Callable[[], T]) -> T:
        begun = time.perf_counter()
        result = work()
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - begun
        return result


def _charge(layout: Layout, charge: tuple[float, float] | None) -> tuple[float, float]:
    """Stored energies of the charges asked for [J]."""
    battery = layout.battery
    wanted = charge or (battery.soc_target, battery.soc_target)
    mistakes = [
        Mistake("--charge", word, f"{value:g}", f"a state of charge within the window {battery.soc_low:g} to {battery.soc_high:g}")
        for word, value in zip(("start", "end"), wanted, strict=True) if not battery.soc_low <= value <= battery.soc_high
    ]
    if mistakes:
        raise InputError(mistakes)
    return float(battery.energy_J(wanted[0])), float(battery.energy_J(wanted[1]))


def _compile() -> None:
    """Loads or compiles every kernel by running a few seconds of a shipped trip."""
    from ems.solve.warm_up import warm_up

    warm_up()


# -- the steps ---------------------------------------------------------------------------------------------------------


def _first_bound(problem: Problem) -> tuple[Problem, IntArray, Bound]:
    """Costate and a first certificate; where the window binds, segments between the contacts of a coarse trajectory."""
    costate = solve_costate(problem, FIRST_COSTATE / problem.plant.heating_value_J_g)
    final = float(costate.above.costate_g_J[-1])
    one = np.zeros(problem.points.dt.size + 1, np.int64)
    bound = best_bound(problem, costate.above.shape, one, np.array([final]), 4)
    if costate.inside(*problem.window_J):
        return problem, one, bound
    _, rough = _coarse_sweep(problem, bound, 4 * SLACK * bound.bound_g, 201, final)
    segments = _segments(problem, rough.energy_J)
    start = np.full(int(segments.max()) + 1, final)
    return problem, segments, best_bound(problem, costate.above.shape, segments, start, 12 * start.size)


def _segments(problem: Problem, energy_J: Array) -> IntArray:
    """(K + 1,) segment between contacts with the window: it changes where a trajectory stays at an end of the window most closely."""
    low, high = problem.window_J
    touch = CONTACT * (high - low)
    side = np.where(energy_J <= low + touch, -1, np.where(energy_J >= high - touch, 1, 0))
    segment = np.zeros(energy_J.size, np.int64)
    number, k = 0, 1
    while k < energy_J.size - 1:
        if side[k] == 0:
            segment[k] = number
            k += 1
            continue
        end = k
        while end < energy_J.size - 1 and side[end] == side[k]:
            end += 1
        closest = k + int(np.argmin(side[k] * -energy_J[k:end]))
        segment[k:closest + 1] = number
        number += 1
        segment[closest + 1:end] = number
        k = end
    segment[-1] = number
    return segment


def _near(problem: Problem, bound: Bound, slack_g: float) -> BoolArray:
    """(U, N) demands and nodes that a trip within ``slack_g`` of the bound can use."""
    alive = pruned(problem, bound, slack_g).alive
    near = np.zeros(problem.tables.count.shape, bool)
    interval, node = np.nonzero(alive)
    near[problem.tables.demand_of[interval], node] = True
    return near


def _slopes(bound: Bound) -> Array:
    values = np.unique(np.concatenate([[bound.costate_g_J.min(), bound.costate_g_J.max()], bound.values_g_J]))
    spread = np.unique(np.round(np.outer(values, SPREAD).reshape(-1) / values.max(), 3)) * values.max()
    chosen: Array = spread[np.linspace(0, spread.size - 1, min(spread.size, 9)).astype(int)]
    return chosen


def _refined_near(problem: Problem, bound: Bound, grid: Grid) -> Tables:
    """Tables with supporting points sought around the costate, where an optimum can pass."""
    return added(problem.tables, _near(problem, bound, max(SLACK_TABLES * bound.bound_g, 1e-3)), grid, _slopes(bound))


def _drive(problem: Problem, bound: Bound, slack_g: float, effort: int) -> Driven:
    """Coarse sweep over the whole window, then ever finer sweeps in corridors around the best trip so far.

    slack_g : how far from the bound a point may lie to be looked at      effort : 0, 1, ..: more nodes
    """
    costate = float(bound.costate_g_J.max())
    narrow, best = _coarse_sweep(problem, bound, slack_g, COARSE_NODES * (1 + effort), costate)
    low, high = problem.window_J
    for share in CORRIDORS:
        half = share * (high - low)
        corridor = narrow_corridor(narrow, best.energy_J - half, best.energy_J + half, FINE_NODES * (1 + effort), costate)
        with suppress(RunError):                    # a corridor may hold no way to the target; the trip it lies around does
            best = min(best, solve_dynamic(narrow, corridor)[0], key=lambda d: d.objective_g)
    point = best.point if narrow.source is None else narrow.source[best.point]
    return Driven(best.node, point, best.energy_J, best.objective_g)


def _coarse_sweep(problem: Problem, bound: Bound, slack_g: float, nodes: int, costate: float) -> tuple[Problem, Driven]:
    """The pruned problem and a trip through it; more points where too few were kept to stay inside the window."""
    for times in (1.0, 10.0, 100.0):
        narrow = pruned(problem, bound, times * slack_g)
        try:
            return narrow, solve_dynamic(narrow, full_corridor(narrow, nodes, costate))[0]
        except RunError:
            continue
    return problem, solve_dynamic(problem, full_corridor(problem, nodes, costate))[0]


def _driven_and_bound(problem: Problem, bound: Bound, clock: _Clock, say: Progress) -> tuple[Driven, Bound]:
    """Trip and certificate, with more effort while the gap is wide."""
    best: Driven | None = None
    for effort in range(EFFORTS):
        say("dynamic programming" if effort == 0 else "dynamic programming, finer")
        slack = SLACK * bound.bound_g if best is None else min(1.05 * (best.objective_g - bound.bound_g), 8 * SLACK * bound.bound_g)
        driven = clock.lap("solve", partial(_drive, problem, bound, slack, effort))
        best = driven if best is None else min(best, driven, key=lambda d: d.objective_g)
        say("certificate")
        bound = clock.lap("certificate", partial(_final_bound, problem, best, bound))
        good = GOOD_BINDING if bound.values_g_J.size > 1 else GOOD_FREE
        if best.objective_g - bound.bound_g <= good * best.objective_g:
            break
    assert best is not None
    return best, bound


def _final_bound(problem: Problem, driven: Driven, bound: Bound) -> Bound:
    """Certificate along the trajectory that was found."""
    shape = costate_shape(problem, driven.energy_J, problem.points.power[driven.point])
    segments = _segments(problem, driven.energy_J)
    start = np.array([np.mean(bound.values_g_J[bound.segments[segments == s]]) for s in range(int(segments.max()) + 1)])
    again = best_bound(problem, shape, segments, start, 6 if start.size == 1 else 12 * start.size)
    first = best_bound(problem, bound.shape, bound.segments, bound.values_g_J, 4)
    return max(again, first, key=lambda b: b.bound_g)


def _raised(problem: Problem, bound: Bound, objective_g: float, say: Progress) -> float:
    """The lower bound, raised in cells of stored energy where the affine one leaves more than a small gap."""
    lower_g = max(bound.bound_g, 0.0)               # fuel and prices are never negative
    for count in CELLS:
        if objective_g - lower_g <= GOOD_FREE * objective_g:
            break
        say(f"certificate in {count} cells")
        lower_g = max(lower_g, raised_bound_g(problem, bound, objective_g, count))
    return lower_g


def _finer_bound(problem: Problem, bound: Bound, grid: Grid) -> float:
    """Lower bound with tables of twice the points on every axis, where an optimum can pass [g]."""
    near = _near(problem, bound, max(SLACK_TABLES * bound.bound_g, 1e-3))
    finer = build_problem(added(problem.tables, near, refined(grid, 2), _slopes(bound)), problem.start_J, problem.target_J, problem.changes)
    return best_bound(finer, bound.shape, bound.segments, bound.values_g_J, 3).bound_g


def _result(layout: Layout, cycle: Cycle, problem: Problem, driven: Driven, bound: Bound, lower_g: float,
            finer_g: float, clock: _Clock) -> Optimum:
    plant, tables = problem.plant, problem.tables
    fuel_fixed, price_fixed = fixed_costs(plant)
    trip = trace(plant, tables.demand, tables.demands, tables.demand_of, driven.node, tables.choice[driven.point], driven.energy_J,
                 fuel_fixed, price_fixed)
    before = np.concatenate([[len(plant.nodes)], driven.node[:-1]])
    price_g = float(price_fixed[before, driven.node].sum())
    fuel = layout.engine.engine.fuel
    km = tables.demand.distance_m / 1e3
    fuel_g = driven.objective_g - price_g
    litres = fuel_g / fuel.density_g_l
    running = plant.transitions.engine_mode[driven.node] != 0
    return Optimum(
        layout=layout, cycle=cycle, trace=trip, problem=problem, bound=bound, warnings=cycle.warnings,
        duration_s=float(tables.demand.dt_s.sum()), distance_km=km,
        soc_start=float(layout.battery.soc_at(driven.energy_J[0])), soc_end=float(layout.battery.soc_at(driven.energy_J[-1])),
        surplus_J=float(driven.energy_J[-1] - problem.target_J), fuel_g=fuel_g, price_g=price_g, objective_g=driven.objective_g,
        fuel_l_per_100km=100.0 * litres / km, co2_g_per_km=litres * fuel.co2_g_l / km,
        lower_bound_g=lower_g, gap_percent=_percent(driven.objective_g - lower_g, driven.objective_g),
        table_error_percent=_percent(max(bound.bound_g - finer_g, 0.0), driven.objective_g),
        costate=float(bound.costate_g_J[0]) * plant.heating_value_J_g, costate_segments=_segment_rows(problem, bound),
        engine_starts=int(running[0]) + int(np.sum(running[1:] & ~running[:-1])),
        configuration_changes=int(np.sum(driven.node[1:] != driven.node[:-1])), time_share=_time_share(trip, tables.demand.dt_s),
        losses_kJ=trip.losses_kJ, stores_kJ=trip.stores_kJ, energy_residual_percent=trip.energy_residual_percent,
        floor_l_per_100km=floor_l_per_100km(layout, problem),
        grid={**tables.grid._asdict(), "battery_nodes": FINE_NODES, "nodes": len(plant.nodes), "points": int(tables.fuel_g_s.size)},
        compile_s=clock.seconds["compile"], tables_s=clock.seconds["tables"], solve_s=clock.seconds["solve"],
        certificate_s=clock.seconds["certificate"])


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
