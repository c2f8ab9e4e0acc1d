"""Every configuration of every second of an optimum, ranked as ``explain`` ranks those of one; in one go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ems.kernels.jit import share_out
from ems.kernels.ranking import stage_costs
from ems.plant.plant import Plant
from ems.plant.trace import Trace
from ems.solve.certificate import Bound
from ems.solve.optimum import Optimum
from ems.solve.problem import Problem
from ems.types import Array, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """Costs of C configurations in K intervals [g], inf where a configuration is not possible.

    chosen : (K,) the configuration that was driven        fuel_g : fuel of the interval
    worth_g : battery energy at the fuel it stands for along the optimum
    change_g : fuel, price and energy of getting there from the interval before
    later_g : least cost of the rest of the trip from there, beyond the cheapest place to be
    """

    chosen: IntArray
    fuel_g: Array
    worth_g: Array
    change_g: Array
    later_g: Array

    @property
    def total_g(self) -> Array:
        """(K, C) what decides."""
        return self.fuel_g + self.worth_g + self.change_g + self.later_g

    @property
    def extra_g(self) -> Array:
        """(K, C) total beyond that of the chosen configuration."""
        total = self.total_g
        extra: Array = total - np.take_along_axis(total, self.chosen[:, None], axis=1)
        return extra

    def order(self, k: int) -> IntArray:
        """The configurations possible in interval ``k``, cheapest first."""
        total = self.total_g[k]
        possible = np.flatnonzero(np.isfinite(total))
        ranked: IntArray = possible[np.argsort(total[possible], kind="stable")]
        return ranked


def ranking(found: Optimum) -> Ranking:
    """The costs of all configurations along an optimum, by the certified lower value of the rest of the trip."""
    return ranking_of(found.problem, found.bound, found.trace)


def ranking_of(problem: Problem, bound: Bound, trip: Trace) -> Ranking:
    """The same along any trip through the nodes of a problem; every configuration with its best division at the driven states."""
    plant, points, changes = problem.plant, problem.points, problem.changes
    (K, N), intervals = points.first.shape, np.arange(points.dt.size)
    before = np.concatenate([[N], trip.node[:-1]]).astype(np.int64)
    energy = np.asarray(trip.columns["battery_energy_start_kJ"], float) * 1e3
    fuel, used = np.empty((K, N)), np.empty((K, N))
    share_out(stage_costs, points.dt.size, points, plant.battery, changes, bound.costate_g_J, before, energy, fuel, used)
    change = changes.fixed[before] + bound.costate_g_J[:-1, None] * changes.stored[intervals, before]
    parts = np.stack([fuel, bound.costate_g_J[1:, None] * used, change, _later(problem, bound, N)])
    return _by_configuration(plant, trip.node, parts)


def _later(problem: Problem, bound: Bound, nodes: int) -> Array:
    """(K, N) least cost of the rest of the trip from every node beyond the least of all; none after the last interval."""
    intercept, node = bound.intercept_g[1:, :-1], problem.changes.node[:-1]
    least = np.stack([intercept[:, node == n].min(axis=1) for n in range(nodes)], axis=1)
    least -= intercept.min(axis=1, keepdims=True)
    least[-1] = 0.0
    return least


def _by_configuration(plant: Plant, driven: IntArray, parts: Array) -> Ranking:
    """Of the lanes of a configuration the driven one, else the cheapest. parts : (4, K, N)"""
    of_node = np.array([n.configuration for n in plant.nodes])
    total = parts.sum(axis=0)
    total[np.arange(driven.size), driven] = -np.inf
    out = np.empty((len(parts), driven.size, of_node.max() + 1))
    for c in range(out.shape[2]):
        own = np.flatnonzero(of_node == c)
        lane = own[np.argmin(total[:, own], axis=1)] if own.size else None
        out[:, :, c] = np.inf if lane is None else parts[:, np.arange(driven.size), lane]
    return Ranking(of_node[driven], *out)
