"""Dynamic programming over battery energy and configuration, in a corridor, and the forward pass that drives its policy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ems.errors import RunError
from ems.kernels.dynamic import Corridor, drive, dynamic_programming, reachable
from ems.solve.problem import Problem
from ems.types import Array, IntArray

PENALTY = 5.0       # costates by which missing the target or leaving the window is priced in the backward pass


@dataclass(frozen=True, slots=True, eq=False)
class Driven:
    """A trip driven through the tabulated problem.

    node, state, point : (K,) schedule      energy_J : (K + 1,) stored energy      objective_g : fuel and prices
    nodes : battery nodes of the sweep that found it; 0 where none did
    """

    node: IntArray
    state: IntArray
    point: IntArray
    energy_J: Array
    objective_g: float
    nodes: int = 0


def full_corridor(problem: Problem, size: int, costate_g_J: float, penalty: float = PENALTY) -> Corridor:
    """Nodes over the whole window, one of them on the target.

    penalty : costates by which missing the target or leaving the window is priced; more is truer and blurs more on coarse nodes
    """
    low, high = problem.window_J
    step = (high - low) / (size - 1)
    K = problem.points.dt.size
    return Corridor(np.full(K + 1, low), np.full(K + 1, step), size, low, high, problem.target_J,
                    penalty * costate_g_J, 0.0, penalty * costate_g_J)


def narrow_corridor(problem: Problem, low_J: Array, high_J: Array, size: int, costate_g_J: float, penalty: float = PENALTY) -> Corridor:
    """Nodes between two courses of stored energy, clipped to the window; ``penalty`` as for ``full_corridor``."""
    low, high = problem.window_J
    lower, upper = np.clip(low_J, low, high), np.clip(high_J, low, high)
    step = np.maximum((upper - lower) / (size - 1), 1e-6 * (high - low))
    return Corridor(lower, step, size, low, high, problem.target_J, 2.0 * costate_g_J, 0.5 * costate_g_J, penalty * costate_g_J)


def solve_dynamic(problem: Problem, corridor: Corridor) -> Driven:
    """Backward and forward pass; the trip's points are numbered as in the tables, whatever part of them the problem looks at.

    Raises ``RunError`` with the time at which charge leaves no choice any more.
    """
    K, S = problem.alive.shape[0], problem.states
    battery, points, links = problem.plant.battery, problem.points, problem.links
    row, value, _ = swept(problem, corridor)
    reach = np.empty((K + 1, S + 1))
    reachable(points, battery, links, corridor.window_low, problem.target_J, reach)
    state, point, energy = np.empty(K, np.int64), np.empty(K, np.int64), np.empty(K + 1)
    stuck = drive(points, battery, links, corridor, row, reach, value, problem.start_J, state, point, energy)
    if stuck >= 0:
        soc = float(problem.plant.layout.battery.soc_at(np.clip(energy[stuck], corridor.window_low, corridor.window_high)))
        raise RunError(f"charge leaves no choice at {problem.tables.demand.time_s[stuck]:g} s (state of charge {soc:.3f})")
    if energy[K] < problem.target_J - 1e-6 * (corridor.window_high - corridor.window_low):
        reached = float(problem.plant.layout.battery.soc_at(energy[K]))
        raise RunError(f"the charge asked for at the end is out of reach: {reached:.4f} at best by the policy found")
    node = links.node[state]
    return Driven(node, state, point if problem.source is None else problem.source[point], energy, objective_g(problem, node, point),
                  corridor.size)


def swept(problem: Problem, corridor: Corridor) -> tuple[IntArray, Array, Array]:
    """The backward pass: (K + 1, S + 1) rows of the states, see ``value_rows``, and their values at the corridor's nodes [g], in single
    precision and counted from (K + 1,) a base of each moment."""
    row = value_rows(problem)
    value, base = values_of(row, corridor.size)
    dynamic_programming(problem.points, problem.plant.battery, problem.links, corridor, row, value, base)
    return row, value, base


def values_of(row: IntArray, size: int) -> tuple[Array, Array]:
    """Where the values of rows at so many nodes go, in single precision, and their bases (see ``dynamic_programming``)."""
    return np.empty((int(row.max()) + 1, size), np.float32), np.empty(row.shape[0])


def value_rows(problem: Problem) -> IntArray:
    """(K + 1, S + 1) where the values of a state before the change at k stand; -1 where no trip is in it."""
    before = np.zeros((problem.alive.shape[0] + 1, problem.states + 1), bool)
    before[0, -1] = True
    before[1:, :-1] = problem.alive[:, problem.changes.node[:-1]]
    row = np.full(before.shape, -1)
    row[before] = np.arange(before.sum())
    return row


def objective_g(problem: Problem, node: IntArray, point: IntArray) -> float:
    """Fuel, start fuel and prices of a schedule [g]."""
    before = np.concatenate([[problem.alive.shape[1]], node[:-1]])
    return float(np.sum(problem.points.fuel[point] * problem.points.burn) + np.sum(problem.changes.fixed[before, node]))
