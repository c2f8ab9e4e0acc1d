"""What finer tables would take off the fuel, and the trip solved again in them where that is too much."""

from __future__ import annotations

from typing import NamedTuple

from ems.kernels.frontier import Grid
from ems.kernels.jit import beside
from ems.solve.certificate import Bound, bound_at, reach_g
from ems.solve.clock import Clock, Progress
from ems.solve.problem import Problem, with_tables
from ems.solve.steps import SLACK, USUAL, Aim, Proven, near, proven, slopes_around
from ems.tables.build import added, refined

MOST_REFINED = 2        # how often tables are made finer before the error that is left is told


class Finely(NamedTuple):
    """The problem in tables that are fine enough, what is proven in it, and the affine lower bound in tables finer still [g]."""

    problem: Problem
    found: Proven
    finer_g: float


def proven_finely(problem: Problem, bound: Bound, grid: Grid, clock: Clock, say: Progress, aim: Aim = USUAL) -> Finely:
    """Trip, lower bound and table error; tables of twice the points, which the error is told by, take over where it is too wide.

    bound : of the problem      grid : of its tables
    """
    found, again, finer_g = _once(problem, bound, grid, clock, say, aim)
    for _ in range(MOST_REFINED):
        if found.bound.bound_g - finer_g <= aim.tables * found.driven.objective_g:
            break
        problem, grid = again, refined(grid, 2)
        found, again, finer_g = _once(problem, found.bound, grid, clock, say, aim)
    return Finely(problem, found, finer_g)


def _once(problem: Problem, bound: Bound, grid: Grid, clock: Clock, say: Progress, aim: Aim) -> tuple[Proven, Problem, float]:
    """What is proven in some tables, the problem in finer ones, and the affine lower bound in those [g]."""
    finer = clock.lap("certificate", lambda: Finer(problem, bound, grid))
    found = proven(problem, bound, clock, say, aim)
    say("how much finer tables would take off")
    return found, *clock.lap("certificate", lambda: finer.bound(found.bound, found.driven.objective_g))


class Finer:
    """Tables of twice the points on every axis, wherever a trip within a slack of the bound can pass; searched beside other work.

    They are sought with the bound that is known before the dynamic programming, and more of them where that leaves a wider gap.
    """

    def __init__(self, problem: Problem, bound: Bound, grid: Grid) -> None:
        twice, reached = refined(grid, 2), near(problem, bound, reach_g(problem, bound, SLACK))
        slopes = slopes_around(bound, problem.tables.demand_of, problem.fuel_factor, 0.0)
        self.problem, self.grid, self.reached = problem, twice, reached
        self.search = beside(lambda: added(problem.tables, reached, twice, slopes))    # holds no part of self, which holds it

    def bound(self, bound: Bound, objective_g: float) -> tuple[Problem, float]:
        """The problem with them, wherever a trip no worse than the one found can pass, and the lower bound in it [g]."""
        tables = self.search()
        more = near(self.problem, bound, max(objective_g - bound.bound_g, 1e-3)) & ~self.reached
        tables = added(tables, more, self.grid, slopes_around(bound, tables.demand_of, self.problem.fuel_factor, 0.0))
        problem = with_tables(self.problem, tables)
        return problem, bound_at(problem, bound.shape, bound.segments, bound.values_g_J).bound_g
