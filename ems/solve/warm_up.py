"""Runs every kernel of the main job once on a trip of a few seconds, so that compiling (or loading the cache) happens here and can be told.

What is not in the cache yet is compiled on two cores: the search of frontiers here, all that comes after it in a second process
(``python -m ems.solve.warm_up``), on made-up tables, which leaves its machine code in the cache.
"""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ems.kernels.jit import cache_folder, cached
from ems.solve.cells import raised_bound_g
from ems.solve.certificate import best_bound, pruned
from ems.solve.costate import costate_shape, solve_costate
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.problem import build_problem, fixed_costs
from ems.solve.steps import FIRST_COSTATE

if TYPE_CHECKING:
    from ems.plant.plant import Plant
    from ems.tables.build import Tables
    from ems.trips.demand import Demand

SECONDS = slice(15, 45)

_done = False


def warm_up() -> None:
    """Compiles every kernel of the main job, or loads it from the cache; nothing the second time in a process."""
    global _done
    if _done:
        return
    from ems.tables.build import DEFAULT_GRID, build_tables

    second = None if cached() or cache_folder("sweep") is None else _second_process()
    plant, trip = _plant_and_trip()
    tables = build_tables(plant, trip, DEFAULT_GRID._replace(free_points=4, torque_points=3, capacity=8))
    if second is not None:
        second.wait()
    _solve(plant, trip, tables)
    _done = True


def _plant_and_trip() -> tuple[Plant, Demand]:
    from ems.layout.load import load_layout
    from ems.plant.plant import build_plant
    from ems.trips.cycle import load_cycle
    from ems.trips.demand import demand as demand_of_cycle

    layout = load_layout("series", where="warm-up")
    whole = demand_of_cycle(load_cycle("udds", where="warm-up"), layout.vehicle)
    ends = {"boundary_speed_m_s": slice(SECONDS.start, SECONDS.stop + 1)}
    trip = type(whole)(**{name: getattr(whole, name)[ends.get(name, SECONDS)] for name in whole.__dataclass_fields__})
    return build_plant(layout), trip


def _solve(plant: Plant, trip: Demand, tables: Tables) -> None:
    """All that comes after the tables."""
    from ems.plant.trace import trace

    battery = plant.layout.battery
    energy = float(battery.energy_J(battery.soc_target))
    problem = build_problem(tables, energy, energy - 2e4)
    costate = solve_costate(problem, FIRST_COSTATE / plant.heating_value_J_g)
    one = np.zeros(problem.points.dt.size + 1, np.int64)
    bound = best_bound(problem, costate.above.shape, one, costate.above.costate_g_J[-1:])
    narrow = pruned(problem, bound, 1e3)
    driven = solve_dynamic(narrow, full_corridor(narrow, 21, float(bound.costate_g_J[-1])))
    raised_bound_g(problem, bound, 1e-3, 8)
    costate_shape(problem, driven.energy_J, problem.points.power[driven.point])
    fuel, price = fixed_costs(plant)
    trace(plant, trip, tables.demands, tables.demand_of, driven.node, tables.choice[driven.point], driven.energy_J, fuel, price)


def _second_process() -> subprocess.Popen[bytes] | None:
    """The other half of the compiling; None where no process can be started, and all is compiled here."""
    place = str(Path(__file__).parents[2])
    path = os.pathsep.join(filter(None, [place, os.environ.get("PYTHONPATH", "")]))
    with suppress(OSError):
        return subprocess.Popen([sys.executable, "-m", "ems.solve.warm_up"], env={**os.environ, "PYTHONPATH": path},
                                stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return None


def _made_up(plant: Plant, trip: Demand) -> Tables:
    """Tables of the right shape whose points need no kernel: in every node the wheels' power from the battery, or a little fuel."""
    from ems.tables.build import DEFAULT_GRID, Tables, distinct_demands

    demands, demand_of = distinct_demands(plant, trip)
    nodes = len(plant.nodes)
    count = np.full((demands.auxiliary.size, nodes), 2)
    first = (np.cumsum(count) - count.reshape(-1)).reshape(count.shape)
    power = np.repeat((demands.wheel_torque * demands.wheel_speed + demands.auxiliary)[:, None] * [[1.0, 0.0]], nodes, axis=0).reshape(-1)
    choice = np.zeros((power.size, 3 + plant.arrays.inner_source.shape[1]))
    choice[:, 0] = 200.0
    return Tables(plant, trip, DEFAULT_GRID, demands, demand_of, first, count, np.tile([0.0, 1.0], power.size // 2), power, choice,
                  np.zeros(0))


if __name__ == "__main__":
    with suppress(Exception):           # what is not compiled here is compiled by the process that asked
        own = _plant_and_trip()
        _solve(*own, _made_up(*own))
