"""The costate solution driven through the plant: it knows the trip, so it is the optimum's twin and no controller.

Between the two values of the costate on either side of the root the charge at the end may jump. Both trips are then spliced: the one
that ends below up to some second, the other from there on, where that brings the charge at the end nearest to what is aimed at.
"""

from __future__ import annotations

import numpy as np

from ems.errors import RunError
from ems.solve.costate import CostateSolution, solve_costate
from ems.solve.problem import Problem, build_problem
from ems.strategies.course import Course
from ems.strategies.schedule import Schedule
from ems.strategies.simulate import drive
from ems.types import Array, IntArray

FIRST_COSTATE = 2.5
RESIDUAL = 0.001        # charge, of capacity, that may be left uncorrected
SPLICES = 40            # seconds looked at for the splice


def costate_twin(course: Course, start_J: float, target_J: float) -> Schedule:
    """The costate solution of a course as a schedule, ending within 0.1 % of capacity of the target, or with a note that says why not.

    Raises ``RunError`` when no costate reaches the target.
    """
    problem = build_problem(course.tables, start_J, target_J, course.changes)
    found = solve_costate(problem, FIRST_COSTATE / course.plant.heating_value_J_g)
    costate = float(found.above.costate_g_J[0]) * course.plant.heating_value_J_g
    wanted = course.soc(target_J)
    best, miss = None, np.inf
    for k in _splices(found, target_J):
        node, point = _spliced(found, k)
        schedule = Schedule(node, course.tables.choice[point], "costate")
        try:
            driven = drive(course, schedule, start_J)
        except RunError:
            continue
        apart = course.soc(float(driven.energy_J[-1])) - wanted
        if abs(apart) < abs(miss):
            best, miss = schedule, apart
        if abs(miss) <= 0.1 * RESIDUAL:
            break
    if best is None:
        raise RunError("the costate's trip leaves the window of the battery, and cannot be driven")
    best.notes = (f"costate {costate:.4f}; charge at the end misses the target by {100 * miss:+.3f} % of capacity",
                  *_why(problem, found, miss))
    return best


def _splices(found: CostateSolution, target_J: float) -> list[int]:
    """Seconds at which to go over from the trip below to the one above, those first that promise to meet the target: the energy that
    the first uses up to there and the second from there on."""
    above, below = found.above.energy_J, found.below.energy_J
    promised = below + (above[-1] - above)
    order = np.argsort(np.abs(promised - target_J), kind="stable")
    return [int(k) for k in order[:SPLICES]]


def _spliced(found: CostateSolution, k: int) -> tuple[IntArray, IntArray]:
    """Nodes and points of the trip below up to interval k, of the one above from there on."""
    a, b = found.above, found.below
    return np.concatenate([b.node[:k], a.node[k:]]), np.concatenate([b.point[:k], a.point[k:]])


def _why(problem: Problem, found: CostateSolution, miss: float) -> list[str]:
    if abs(miss) <= RESIDUAL:
        return []
    low, high = problem.window_J
    if not found.inside(low, high):
        return ["the window of the battery binds: one costate cannot serve the whole trip"]
    jump: Array = found.above.energy_J - found.below.energy_J
    return [f"between the two sides of the root the stored energy jumps by {float(jump[-1]) / 1e3:.1f} kJ, and no splice lies nearer"]
