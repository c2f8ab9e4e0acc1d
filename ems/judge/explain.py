"""One second of an optimum: every configuration, possible or stopped by which limit, and what each would have cost."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ems.errors import InputError, Mistake
from ems.kernels.frontier import Grid
from ems.kernels.limits import most_wheel_torque
from ems.kernels.sweep import internal_power
from ems.solve.optimum import Optimum
from ems.solve.shortfall import limit_words


@dataclass(frozen=True, slots=True)
class Explanation:
    """Why a configuration was chosen at a second.

    rows : one a configuration, cheapest first: id, kind, feasible, limit (words), fuel_g, battery_kJ (electrochemical), equivalent_g
           (battery energy at the costate), transition_g (change from the second before: fuel, price and energy at the costate),
           later_g (least cost of the rest of the trip from there, beyond the least of all), total_g, rank, mode (of the chosen one)
    """

    time_s: float
    speed_kmh: float
    wheel_power_kW: float
    soc: float
    chosen: str
    rows: tuple[dict[str, object], ...]


def explain(optimum: Optimum, time_s: float) -> Explanation:
    """Every configuration at the interval that holds ``time_s``, judged by the certified lower value of the rest of the trip.

    Raises ``InputError`` for a time outside the cycle.
    """
    problem, trip = optimum.problem, optimum.trace
    times = np.asarray(trip.columns["time_s"], float)
    end = times[-1] + trip.demand.dt_s[-1]
    if not times[0] <= time_s < end:
        raise InputError([Mistake("--at", "", f"{time_s:g} s", f"a time from {times[0]:g} s to before {end:g} s")])
    k = int(np.searchsorted(times, time_s, side="right")) - 1
    rows = [_row(optimum, k, n) for n in range(len(problem.plant.nodes))]
    rows.sort(key=lambda r: (not r["feasible"], r["total_g"] if r["feasible"] else 0.0))
    for rank, row in enumerate(rows, 1):
        row["rank"] = rank if row["feasible"] else None
    columns = trip.columns
    return Explanation(float(times[k]), float(columns["speed_kmh"][k]), float(columns["wheel_power_kW"][k]),
                       float(columns["soc_start"][k]), str(columns["configuration"][k]), tuple(rows))


def _row(optimum: Optimum, k: int, n: int) -> dict[str, object]:
    problem, bound = optimum.problem, optimum.bound
    points, plant = problem.points, problem.plant
    c = plant.configuration(n)
    chosen = int(optimum.trace.node[k]) == n
    row: dict[str, object] = {"id": c.id, "kind": c.kind.value, "feasible": False, "limit": "", "fuel_g": None, "battery_kJ": None,
                              "equivalent_g": None, "transition_g": None, "later_g": None, "total_g": None,
                              "mode": str(optimum.trace.columns["mode"][k]) if chosen else ""}
    indices = range(points.first[k, n], points.first[k, n] + points.count[k, n])
    before = int(optimum.trace.node[k - 1]) if k else problem.alive.shape[1]
    energy = float(np.asarray(optimum.trace.columns["battery_energy_start_kJ"])[k]) * 1e3
    stored = float(problem.changes.stored[k, before, n])
    transition = float(problem.changes.fixed[before, n]) + float(bound.costate_g_J[k]) * stored
    slope, dt = float(bound.costate_g_J[k + 1]), float(points.dt[k])
    best = math.inf
    for j in indices:
        used = internal_power(plant.battery, energy - stored, float(points.power[j])) * dt
        fuel = float(points.fuel[j] * points.burn[k])
        if fuel + slope * used < best:
            best = fuel + slope * used
            row |= {"fuel_g": fuel, "battery_kJ": used / 1e3, "equivalent_g": slope * used}
    if not math.isfinite(best):
        row["limit"] = _limit(optimum, k, n)
        return row
    later = float(bound.intercept_g[k + 1, n] - bound.intercept_g[k + 1, :-1].min()) if k + 1 < points.dt.size else 0.0
    row |= {"feasible": True, "transition_g": transition, "later_g": later, "total_g": best + transition + later}
    return row


def _limit(optimum: Optimum, k: int, n: int) -> str:
    """Words for the limit that stops a node, with the speed range where that is the reason."""
    problem = optimum.problem
    plant, tables = problem.plant, problem.tables
    c = plant.configuration(n)
    kmh = float(problem.tables.demand.speed_m_s[k]) * 3.6
    low, high = c.speed_range_kmh
    if not low <= kmh <= high:
        return f"runs from {low:.0f} to {high:.0f} km/h only"
    if not plant.arrays.wheel_free[n]:
        return "nothing that can be chosen reaches the wheels"
    _, code = most_wheel_torque(plant.arrays, n, tables.demands, int(tables.demand_of[k]), Grid(24, 24, 2, 9, 12, 4, 8))
    return limit_words(plant, n, code)
