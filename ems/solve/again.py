"""A solved trip solved again with other prices of starts and changes: frontier tables and costate are taken over.

Prices need no new tables. Points are only sought where the first solution did not pass and this one can.
"""

from __future__ import annotations

from dataclasses import replace

from ems.errors import RunError
from ems.plant.counters import Waits
from ems.solve.certificate import Bound, best_bound, reach_g
from ems.solve.clock import Clock, Progress
from ems.solve.finer import proven_finely
from ems.solve.optimum import Optimum, result_of
from ems.solve.problem import Problem, build_problem, fixed_costs, with_tables
from ems.solve.steps import SLACK_TABLES, SPREAD, first_bound, near, slopes_around
from ems.tables.build import Tables, added

FAR = 0.02      # a first bound so far below the trip of before is sought anew, relative


def solved_again(found: Optimum, *, start_price_g: float | None = None, shift_price_g: float | None = None,
                 progress: Progress | None = None) -> Optimum:
    """The optimum of the same layout and trip with other prices of starts and changes, as they were when None."""
    say = progress or (lambda _: None)
    old = found.layout
    layout = replace(old, start_price_g=old.start_price_g if start_price_g is None else start_price_g,
                     shift_price_g=old.shift_price_g if shift_price_g is None else shift_price_g)
    tables = replace(found.tables, plant=replace(found.tables.plant, layout=layout))
    clock = Clock()
    say("costate")
    begun = _problem(found, tables)
    problem, bound = clock.lap("solve", lambda: _warm_bound(begun, found))
    fresh = (near(problem, bound, reach_g(problem, bound, SLACK_TABLES))
             & ~near(found.problem, found.bound, reach_g(found.problem, found.bound, SLACK_TABLES)))
    slopes = slopes_around(bound, problem.tables.demand_of, problem.fuel_factor, SPREAD)
    tables = clock.lap("tables", lambda: added(tables, fresh, found.tables.grid, slopes))
    problem = with_tables(problem, tables)
    again = proven_finely(problem, bound, found.tables.grid, clock, say)
    waits = Waits(found.waits_s["dwell"], found.waits_s["engine_on"], found.waits_s["engine_off"])
    return replace(result_of(layout, found.cycle, again, clock, waits, None),
                   warm_l_per_100km=found.warm_l_per_100km)


def _problem(found: Optimum, tables: Tables) -> Problem:
    """The problem found, on tables of the same trip, with the prices of their layout; counters and a cold engine's fuel as they were."""
    old = found.problem
    fuel, price = fixed_costs(tables.plant)
    return build_problem(tables, old.start_J, old.target_J, old.changes._replace(fixed=fuel + price), old.points.burn / old.points.dt)


def _warm_bound(problem: Problem, found: Optimum) -> tuple[Problem, Bound]:
    """A first certificate from the course of the costate found before; sought anew where that is far off."""
    old = found.bound
    bound = best_bound(problem, old.shape, old.segments, old.values_g_J)
    if abs(bound.bound_g - old.bound_g) <= FAR * abs(old.bound_g):
        return problem, bound
    try:
        _, anew = first_bound(problem)
    except RunError:
        return problem, bound
    return problem, max(anew, bound, key=lambda b: b.bound_g)
