"""Driving on the battery first: no fuel where none must be burnt, and then as little battery energy as can be."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ems.errors import CycleNotFollowed, RunError
from ems.kernels.depleting import spare_fuel
from ems.kernels.frontier import Grid
from ems.layout.model import Layout
from ems.plant.plant import LANES, build_plant
from ems.plant.trace import Trace, trace
from ems.solve.problem import Problem, build_problem, fixed_costs
from ems.solve.shortfall import shortfall
from ems.tables.build import DEFAULT_GRID, build_tables
from ems.trips.cycle import Cycle
from ems.trips.demand import demand as demand_of_cycle

FUEL_COUNTS = 10.0
"""Battery energy that fuel counts for, in units of its own heating value: far above the two or three that a good exchange gives."""


@dataclass(frozen=True, slots=True, eq=False)
class ElectricFirst:
    """The tables of a layout on a cycle, to be driven electric first from any charge: ``drive(soc)``."""

    layout: Layout
    cycle: Cycle
    problem: Problem

    def drive(self, soc: float) -> Trace:
        """The trip from a state of charge; it may end at any charge of the window. Raises ``RunError`` where nothing is possible."""
        problem, plant = self.problem, self.problem.plant
        points, K, S = problem.points, problem.points.dt.size, problem.states
        came_from, point, energy = np.empty((K, S), np.int64), np.empty((K, S), np.int64), np.empty((K + 1, S + 1))
        start_J = float(self.layout.battery.energy_J(soc))
        price = FUEL_COUNTS * plant.heating_value_J_g
        stuck = spare_fuel(points, plant.battery, problem.changes, price, start_J, came_from, point, energy)
        if stuck >= 0:
            raise RunError(f"{self.layout.name} on {self.cycle.name} from a charge of {soc:.3f}: nothing is possible at "
                           f"{problem.tables.demand.time_s[stuck]:g} s")
        state, chosen, stored = self._back(came_from, point, energy, price, start_J)
        tables, node = problem.tables, problem.changes.node[state]
        fuel, prices = fixed_costs(plant)
        return trace(plant, tables.demand, tables.demands, tables.demand_of, node, tables.choice[chosen], stored, fuel, prices)

    def _back(self, came_from: np.ndarray, point: np.ndarray, energy: np.ndarray, price: float, start_J: float
              ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """States, points and stored energies of the trip whose end is worth most."""
        problem, K = self.problem, point.shape[0]
        ways = [self._way(came_from, point, energy, int(s)) for s in np.flatnonzero(came_from[-1] >= 0)]
        node = problem.changes.node

        def merit(way: tuple[np.ndarray, np.ndarray, np.ndarray]) -> float:
            state, chosen, stored = way
            before = np.concatenate([[node.size - 1], state[:-1]])
            grams = np.sum(problem.points.fuel[chosen] * problem.points.burn) + np.sum(problem.changes.fixed[node[before], node[state]])
            return float(stored[K] - price * grams)

        best = max(ways, key=merit)
        best[2][0] = start_J
        return best

    @staticmethod
    def _way(came_from: np.ndarray, point: np.ndarray, energy: np.ndarray, last: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        K = point.shape[0]
        state, chosen, stored = np.empty(K, np.int64), np.empty(K, np.int64), np.empty(K + 1)
        for k in range(K - 1, -1, -1):
            state[k], chosen[k], stored[k + 1] = last, point[k, last], energy[k + 1, last]
            last = int(came_from[k, last])
        return state, chosen, stored


def electric_first(layout: Layout, cycle: Cycle, *, grid: Grid = DEFAULT_GRID, lanes: int = LANES,
                   progress: Callable[[str], None] | None = None) -> ElectricFirst:
    """Tables for driving a cycle electric first.

    Raises ``CycleNotFollowed`` when the layout cannot follow the cycle even with the engine's help.
    """
    say = progress or (lambda _: None)
    say("electric first: tables")
    plant = build_plant(layout, lanes=lanes)
    tables = build_tables(plant, demand_of_cycle(cycle, layout.vehicle), grid)
    short = shortfall(tables)
    if short is not None:
        raise CycleNotFollowed(layout.name, cycle.name, short)
    target_J = float(layout.battery.energy_J(layout.battery.soc_target))
    return ElectricFirst(layout, cycle, build_problem(tables, target_J, target_J))
