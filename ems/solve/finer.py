"""What finer tables would take off the fuel, and the trip solved again in them where that is too much."""

from __future__ import annotations

from typing import NamedTuple

from ems.kernels.frontier import Grid
from ems.kernels.jit import beside
from ems.solve.cells import raised_bound_g
from ems.solve.certificate import Bound, bound_at, reach_g
from ems.solve.clock import Clock, Progress
from ems.solve.problem import Problem, with_tables
from ems.solve.steps import SHORT_S, SLACK, USUAL, Aim, Proven, near, proven, slopes_around
from ems.tables.build import added, refined

MOST_REFINED = 2        # how often tables are made finer before the error that is left is told
SHORT_CELLS = 20_000    # in which it is looked for what single points matter on a trip of seconds


class Finely(NamedTuple):
    """The problem in tables that are fine enough, what is proven in it, and by how much lower the bounds lie in tables finer still [g]."""

    problem: Problem
    found: Proven
    missed_g: float


def proven_finely(problem: Problem, bound: Bound, grid: Grid, clock: Clock, say: Progress, aim: Aim = USUAL) -> Finely:
    """Trip, lower bound and table error; tables of twice the points, which the error is told by, take over where it is too wide.

    bound : of the problem      grid : of its tables
    """
    found, again, missed_g = _once(problem, bound, grid, clock, say, aim)
    for _ in range(MOST_REFINED):
        if missed_g <= aim.tables * found.driven.objective_g:
            break
        problem, grid = again, refined(grid, 2)
        found, again, missed_g = _once(problem, found.bound, grid, clock, say, aim)
    return Finely(problem, found, missed_g)


def _once(problem: Problem, bound: Bound, grid: Grid, clock: Clock, say: Progress, aim: Aim) -> tuple[Proven, Problem, float]:
    """What is proven in some tables, the problem in finer ones, and by how much lower the bounds lie in those [g]."""
    finer = clock.lap("certificate", lambda: Finer(problem, bound, grid))
    found = proven(problem, bound, clock, say, aim)
    say("how much finer tables would take off")
    again, affine = clock.lap("certificate", lambda: finer.bound(found.bound, found.driven.objective_g))
    return found, again, clock.lap("certificate", lambda: missed(found, again, affine))


def missed(found: Proven, again: Problem, affine: Bound) -> float:
    """By how much the bounds of a trip lie lower in finer tables, of which the problem and its affine bound are given [g].

    On a trip of seconds few points have to meet the charge asked for. Affine bounds do not know that; what the bound was raised for is
    raised again.
    """
    missed_g = max(found.bound.bound_g - affine.bound_g, 0.0)
    if found.lower_g <= found.bound.bound_g or float(again.points.dt.sum()) > SHORT_S:
        return missed_g
    return max(missed_g, found.lower_g - raised_bound_g(again, affine, found.lower_g - affine.bound_g, SHORT_CELLS))


class Finer:
    """Tables of twice the points on every axis, wherever a trip within a slack of the bound can pass; searched beside other work.

    They are sought with the bound that is known before the dynamic programming, and more of them where that leaves a wider gap.
    """

    def __init__(self, problem: Problem, bound: Bound, grid: Grid) -> None:
        twice, reached = refined(grid, 2), near(problem, bound, reach_g(problem, bound, SLACK))
        slopes = slopes_around(bound, problem.tables.demand_of, problem.fuel_factor, 0.0)
        self.problem, self.grid, self.reached = problem, twice, reached
        self.search = beside(lambda: added(problem.tables, reached, twice, slopes))    # holds no part of self, which holds it

    def bound(self, bound: Bound, objective_g: float) -> tuple[Problem, Bound]:
        """The problem with them, wherever a trip no worse than the one found can pass, and its affine bound."""
        tables = self.search()
        more = near(self.problem, bound, max(objective_g - bound.bound_g, 1e-3)) & ~self.reached
        tables = added(tables, more, self.grid, slopes_around(bound, tables.demand_of, self.problem.fuel_factor, 0.0))
        problem = with_tables(self.problem, tables)
        return problem, bound_at(problem, bound.shape, bound.segments, bound.values_g_J)
