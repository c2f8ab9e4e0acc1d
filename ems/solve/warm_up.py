"""Runs every kernel once on a trip of a few seconds, so that compiling (or loading the cache) happens here and can be told."""

from __future__ import annotations

import numpy as np

from ems.solve.certificate import best_bound, pruned
from ems.solve.costate import costate_shape, solve_costate
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.problem import build_problem, fixed_costs

_done = False


def warm_up() -> None:
    """Compiles every kernel of the main job, or loads it from the cache; nothing the second time in a process."""
    global _done
    if _done:
        return
    from ems.layout.load import load_layout
    from ems.plant.plant import build_plant
    from ems.plant.trace import trace
    from ems.tables.build import DEFAULT_GRID, build_tables
    from ems.trips.cycle import load_cycle
    from ems.trips.demand import demand as demand_of_cycle

    layout = load_layout("series", where="warm-up")
    plant = build_plant(layout)
    cycle = load_cycle("udds", where="warm-up")
    whole = demand_of_cycle(cycle, layout.vehicle)
    cut = type(whole)(**{name: getattr(whole, name)[15:46 if name == "boundary_speed_m_s" else 45] for name in whole.__dataclass_fields__})
    tables = build_tables(plant, cut, DEFAULT_GRID._replace(free_points=4, torque_points=3, capacity=8))
    energy = float(layout.battery.energy_J(layout.battery.soc_target))
    problem = build_problem(tables, energy, energy - 2e4)
    costate = solve_costate(problem, 2.5 / plant.heating_value_J_g)
    one = np.zeros(problem.points.dt.size + 1, np.int64)
    bound = best_bound(problem, costate.above.shape, one, costate.above.costate_g_J[-1:], 2)
    narrow = pruned(problem, bound, 1e3)
    driven = solve_dynamic(narrow, full_corridor(narrow, 21, float(bound.costate_g_J[-1])))
    costate_shape(problem, driven.energy_J, problem.points.power[driven.point])
    fuel, price = fixed_costs(plant)
    trace(plant, cut, tables.demands, tables.demand_of, driven.node,
          tables.choice[driven.point], driven.energy_J, fuel, price)
    _done = True
