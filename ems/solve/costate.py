"""Costate solution: the battery grid replaced by its shadow price, exact dynamic programming over configurations.

The search over the price is concave and not smooth: bisection on the charge at the end. Charge may jump across the root;
both trajectories are kept, and the corridor of the dynamic programming spans them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ems.errors import RunError
from ems.kernels.battery import state
from ems.kernels.changes import HUGE
from ems.kernels.jit import share_out
from ems.kernels.sweep import chain, costate_course, follow_chain, stage_at
from ems.solve.problem import Problem
from ems.types import Array, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class CostateRun:
    """One costate evaluation and the trip it schedules.

    costate_g_J : (K + 1,) at the ends of the intervals      energy_J : (K + 1,) stored energy, window ignored
    node, point : (K,) schedule                              shape : (K + 1,) costate over its value at the end
    """

    costate_g_J: Array
    energy_J: Array
    node: IntArray
    point: IntArray
    shape: Array


@dataclass(frozen=True, slots=True, eq=False)
class CostateSolution:
    """The two runs on either side of the root: ``above`` ends with at least the target, ``below`` with less."""

    above: CostateRun
    below: CostateRun
    evaluations: int

    def inside(self, low_J: float, high_J: float) -> bool:
        """Whether both runs stay within a window of stored energy."""
        lowest = min(self.above.energy_J.min(), self.below.energy_J.min())
        return bool(lowest >= low_J and max(self.above.energy_J.max(), self.below.energy_J.max()) <= high_J)


def evaluate(problem: Problem, final_g_J: float, shape: Array, reference_J: Array) -> CostateRun:
    """The best schedule for a price of stored energy.

    final_g_J : costate at the end      shape : (K + 1,) costate relative to it      reference_J : (K,) energies for the battery's terms
    """
    (K, N), S = problem.alive.shape, problem.states
    slope = final_g_J * shape
    battery, points, links = problem.plant.battery, problem.points, problem.links
    cost, pick = np.empty((K, N)), np.empty((K, N), np.int64)
    share_out(stage_at, K, points, battery, slope, reference_J, cost, pick)
    value, follow = np.empty((K + 1, S + 1)), np.empty((K, S + 1), np.int64)
    chain(cost, links, slope, value, follow)
    if value[0, S] >= HUGE:
        raise RunError("no sequence of configurations follows the trip")
    node, point, energy = np.empty(K, np.int64), np.empty(K, np.int64), np.empty(K + 1)
    follow_chain(points, battery, links, pick, follow, problem.start_J, node, point, energy)
    return CostateRun(slope, energy, node, point, shape)


def costate_shape(problem: Problem, energy_J: Array, power_W: Array) -> Array:
    """(K + 1,) costate along a trajectory relative to its end: lambda_k = lambda_k+1 (1 - dt dp/de)."""
    shape = np.empty(problem.points.dt.size + 1)
    costate_course(problem.plant.battery, energy_J, power_W, problem.points.dt, *problem.window_J, shape)
    return shape


def solve_costate(problem: Problem, guess_g_J: float, tolerance: float = 1e-3) -> CostateSolution:
    """Bisects the costate until the two sides differ by ``tolerance``, relative.

    Raises ``RunError`` when no price brings the trip to its target.
    """
    low_J, high_J = problem.window_J
    K = problem.points.dt.size
    shape, reference = np.ones(K + 1), np.full(K, 0.5 * (problem.start_J + problem.target_J))
    run = evaluate(problem, guess_g_J, shape, reference)
    count = 1
    sides: dict[bool, CostateRun] = {}
    final = guess_g_J
    factor = 1.05
    while count < 80:
        enough = bool(run.energy_J[-1] >= problem.target_J)
        sides[enough] = run
        if len(sides) == 2:
            high, low = sides[True].costate_g_J[-1], sides[False].costate_g_J[-1]
            if high - low <= tolerance * high:
                return CostateSolution(sides[True], sides[False], count)
            final = 0.5 * (high + low)
        else:
            final = final / factor if enough else final * factor
            factor = factor**1.5
            if final < 1e-3 * guess_g_J:            # charge is left over whatever it is worth: the target does not bind
                return CostateSolution(run, run, count)
            if final > 1e3 * guess_g_J:
                raise RunError(f"the charge asked for at the end, {_soc(problem, problem.target_J):.3f}, is out of reach: "
                               "however much stored energy is worth, the trip ends with less")
        if count in (2, 6):                         # battery terms along the last trajectory; both sides are then found anew
            reference = np.clip(run.energy_J[:-1], low_J, high_J)
            shape = costate_shape(problem, run.energy_J, problem.points.power[run.point])
            sides, factor = {}, 1.01
        run = evaluate(problem, final, shape, reference)
        count += 1
    raise RunError("the search for the costate did not settle")


def _soc(problem: Problem, energy_J: float) -> float:
    soc, _, _, _ = state(problem.plant.battery, float(energy_J))
    return float(soc)
