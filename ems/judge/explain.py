"""One second of a trip: every configuration, possible or stopped by which limit, and what each would have cost.

The trip is an optimum's, or a strategy's that stands in a ledger; then also what was best at its state, and what its choice cost.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ems.errors import InputError, Mistake
from ems.judge.ledger import CAUSES, Ledger, states_of
from ems.judge.played import best_trace_of, modes_beside
from ems.kernels.sweep import internal_power
from ems.plant.trace import Trace
from ems.solve.certificate import Bound
from ems.solve.optimum import Optimum
from ems.solve.problem import Problem
from ems.solve.shortfall import limit_words, most_wheel_torque
from ems.types import Array

BATTERY = "charge or limits of the battery"
WAITING = "least time between changes"


@dataclass(frozen=True, slots=True)
class Decision:
    """What a strategy did in a second, beside the best at its state.

    price_g : what the choice cost above the least of the rest of the trip, with its causes (``ems.judge.ledger.causes_of``)
    chosen, best : id, mode, fuel_g, battery_kJ (electrochemical), engine_kW, brakes_kW of the two
    """

    price_g: float
    causes_g: Mapping[str, float]
    chosen: Mapping[str, object]
    best: Mapping[str, object]


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a configuration was chosen at a second.

    rows : one a configuration, cheapest first: id, kind, feasible, limit (words), fuel_g, battery_kJ (electrochemical), equivalent_g
           (battery energy at the costate), transition_g (change from the second before: fuel, price and energy at the costate),
           later_g (least cost of the rest of the trip from there, beyond the least of all), total_g, rank, mode; each with its best
           division (the optimum's own row: the mode that was driven)
    decision : of a strategy; None for an optimum
    """

    time_s: float
    speed_kmh: float
    wheel_power_kW: float
    soc: float
    chosen: str
    rows: tuple[dict[str, Any], ...]
    decision: Decision | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Second:
    """The state that is explained: interval k of a trip in a problem, judged by a bound.

    after : (N,) state that each node leads to, -1 where one must wait      choice_of : the choice that a point stands for
    pick : (N,) points, where a ledger has chosen them
    """

    problem: Problem
    bound: Bound
    trip: Trace
    k: int
    after: Sequence[int]
    choice_of: Callable[[int], Array]
    pick: Sequence[int] | None = None


def explain(optimum: Optimum, time_s: float) -> Explanation:
    """Every configuration at the interval that holds ``time_s``, judged by the certified lower value of the rest of the trip.

    Raises ``InputError`` for a time outside the cycle.
    """
    k, problem = _interval(optimum.trace, time_s), optimum.problem
    states = states_of(problem, optimum.trace.node)
    assert states is not None
    following = [np.flatnonzero(problem.changes.open[states[k]] & (problem.changes.node[:-1] == n)) for n in range(problem.alive.shape[1])]
    after = [int(f[0]) if f.size else -1 for f in following]
    return _explained(_Second(problem, optimum.bound, optimum.trace, k, after, lambda point: problem.tables.choice[point]), None)


def explain_strategy(entries: Ledger, trip: Trace, time_s: float) -> Explanation:
    """The same at a state of a strategy's trip, with what it did there and what that cost.

    Raises ``InputError`` for a time outside the cycle.
    """
    k = _interval(trip, time_s)
    best = best_trace_of(trip, entries)
    points = {"chosen": (trip, int(entries.driven.point[k])), "best": (best, int(entries.best_point[k]))}
    sides = {name: _side(entries, played, k, point) for name, (played, point) in points.items()}
    decision = Decision(float(entries.price_g[k]), {c: float(entries.causes_g[c][k]) for c in CAUSES}, **sides)
    return _explained(_Second(entries.problem, entries.bound, trip, k, entries.after[k].tolist(),
                              lambda point: entries.choices[entries.origin[point]], entries.pick[k].tolist()), decision)


def _side(entries: Ledger, played: Trace, k: int, point: int) -> dict[str, object]:
    points, columns = entries.problem.points, played.columns
    node = int(played.node[k])
    before = int(entries.driven.node[k - 1]) if k else entries.problem.alive.shape[1]
    begin = float(entries.driven.energy_J[k] - entries.problem.changes.stored[k, before, node])
    used = internal_power(entries.problem.plant.battery, begin, float(points.power[point])) * float(points.dt[k])
    return {"id": str(columns["configuration"][k]), "mode": str(columns["mode"][k]), "fuel_g": float(points.fuel[point] * points.burn[k]),
            "battery_kJ": used / 1e3, "engine_kW": float(columns["engine_power_kW"][k]), "brakes_kW": float(columns["brake_power_kW"][k])}


def _interval(trip: Trace, time_s: float) -> int:
    times = np.asarray(trip.columns["time_s"], float)
    end = times[-1] + trip.demand.dt_s[-1]
    if not times[0] <= time_s < end:
        raise InputError([Mistake("--at", "", f"{time_s:g} s", f"a time from {times[0]:g} s to before {end:g} s")])
    return int(np.searchsorted(times, time_s, side="right")) - 1


def _explained(second: _Second, decision: Decision | None) -> Explanation:
    rows = _best_lanes(second, [_row(second, n) for n in range(len(second.problem.plant.nodes))])
    _name_modes(second, rows)
    rows.sort(key=lambda r: (not r["feasible"], r["total_g"] if r["feasible"] else 0.0))
    for rank, row in enumerate(rows, 1):
        row["rank"] = rank if row["feasible"] else None
    columns, k = second.trip.columns, second.k
    return Explanation(float(columns["time_s"][k]), float(columns["speed_kmh"][k]), float(columns["wheel_power_kW"][k]),
                       float(columns["soc_start"][k]), str(columns["configuration"][k]), tuple(rows), decision)


def _name_modes(second: _Second, rows: Sequence[dict[str, Any]]) -> None:
    """The mode of every possible row; takes node and point out of them."""
    nodes, points = zip(*((row.pop("node"), row.pop("point")) for row in rows), strict=True)
    able = [i for i, row in enumerate(rows) if row["feasible"]]
    energy_J = float(np.asarray(second.trip.columns["battery_energy_start_kJ"])[second.k]) * 1e3
    modes = modes_beside(second.problem, second.k, energy_J, [nodes[i] for i in able], [second.choice_of(points[i]) for i in able])
    for i, mode in zip(able, modes, strict=True):
        driven = second.pick is None and nodes[i] == second.trip.node[second.k]
        rows[i]["mode"] = str(second.trip.columns["mode"][second.k]) if driven else mode


def _best_lanes(second: _Second, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """One row a configuration: of its lanes of engine speed the driven one, else the cheapest."""
    nodes, driven = second.problem.plant.nodes, int(second.trip.node[second.k])
    best: dict[int, int] = {}
    for n, row in enumerate(rows):
        rival = best.get(nodes[n].configuration)
        if rival is None or n == driven or (rival != driven and _cost(row) < _cost(rows[rival])):
            best[nodes[n].configuration] = n
    return [rows[n] for n in best.values()]


def _cost(row: dict[str, Any]) -> float:
    return float(row["total_g"]) if row["feasible"] else math.inf


def _row(second: _Second, n: int) -> dict[str, Any]:
    """What a node costs, or why it cannot be driven; with the node and its best point."""
    problem, bound, trip, k = second.problem, second.bound, second.trip, second.k
    points, plant = problem.points, problem.plant
    c = plant.configuration(n)
    row: dict[str, Any] = {"id": c.id, "kind": c.kind.value, "feasible": False, "limit": "", "fuel_g": None, "battery_kJ": None,
                           "equivalent_g": None, "transition_g": None, "later_g": None, "total_g": None, "mode": "",
                           "node": n, "point": -1}
    indices: Sequence[int] = range(points.first[k, n], points.first[k, n] + points.count[k, n])
    if second.pick is not None:
        indices = [second.pick[n]] if second.pick[n] >= 0 else []
    before = int(trip.node[k - 1]) if k else problem.alive.shape[1]
    energy = float(np.asarray(trip.columns["battery_energy_start_kJ"])[k]) * 1e3
    stored = float(problem.changes.stored[k, before, n])
    open_now = bool(problem.changes.live[k, before, n])
    transition = float(problem.changes.fixed[before, n]) + float(bound.costate_g_J[k]) * stored
    slope, dt = float(bound.costate_g_J[k + 1]), float(points.dt[k])
    if second.after[n] < 0:
        indices = []
    best = math.inf
    for j in indices:
        used = internal_power(plant.battery, energy - stored, float(points.power[j])) * dt
        fuel = float(points.fuel[j] * points.burn[k])
        if fuel + slope * used < best:
            best = fuel + slope * used
            row |= {"fuel_g": fuel, "battery_kJ": used / 1e3, "equivalent_g": slope * used, "point": j}
    if not math.isfinite(best) or not open_now:
        row |= {"limit": _reason(second, n, open_now), "fuel_g": None, "battery_kJ": None, "equivalent_g": None}
        return row
    later = float(bound.intercept_g[k + 1, second.after[n]] - bound.intercept_g[k + 1, :-1].min()) if k + 1 < points.dt.size else 0.0
    row |= {"feasible": True, "transition_g": transition, "later_g": later, "total_g": best + transition + later}
    return row


def _reason(second: _Second, n: int, open_now: bool) -> str:
    """Why a node cannot be driven in this second."""
    if not second.problem.points.count[second.k, n]:
        return _limit(second.problem, second.k, n)
    if not open_now:
        return "the engine's speed cannot change so fast"
    return WAITING if second.after[n] < 0 and second.pick is None else BATTERY


def _limit(problem: Problem, k: int, n: int) -> str:
    """Words for the limit that stops a node, with the speed range where that is the reason."""
    plant, tables = problem.plant, problem.tables
    c = plant.configuration(n)
    kmh = float(problem.tables.demand.speed_m_s[k]) * 3.6
    low, high = c.speed_range_kmh
    if not low <= kmh <= high:
        return f"runs from {low:.0f} to {high:.0f} km/h only"
    if not plant.arrays.wheel_free[n]:
        return "nothing that can be chosen reaches the wheels"
    _, code = most_wheel_torque(tables, n, int(tables.demand_of[k]))
    return limit_words(plant, n, code)
