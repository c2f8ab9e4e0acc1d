"""The ledger of a trip: what each second's choice cost above the certified lower value of the rest.

With W a certified lower value, W_k(now) <= cost + W_k+1(next) for every choice at every state, the price of second k is
cost + W_k+1(next) - W_k(now). It is never negative, and the prices add up to the trip's cost minus the lower bound: nothing balances.
W is affine in stored energy (``ems.solve.certificate``); the trip's own choices stand in the tables it is computed from, and it ends with
the trip's own charge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ems.errors import RunError
from ems.kernels.prices import price_choices
from ems.kernels.sweep import Points, internal_power
from ems.plant.trace import Trace
from ems.solve.certificate import Bound, best_bound
from ems.solve.dynamic import Driven, objective_g
from ems.solve.problem import Problem, change_energies
from ems.types import Array, IntArray

CAUSES = ("configuration", "division", "transition", "charge")
"""What a price is made of; see ``causes_of``."""

ENERGY_TOLERANCE = 1e-6     # of the window: how far a simulation's stored energy may stray from the plant's own reckoning


@dataclass(frozen=True, slots=True, eq=False)
class Ledger:
    """The priced trip, K intervals, N nodes.

    problem : tables with the trip's own points, from its first to its last charge      bound : the lower bound and its values
    driven : the trip in that problem              choices : (P, 3 + I) choices, ``origin`` (Q,) says which of them a point has
    price_g : (K,) of each second                  causes_g : (K,) each, by the names of ``CAUSES``, adding up to ``price_g``
    total_g : (K, N) least price of each node at the driven state, HUGE where impossible      pick, after : (K, N) the point that has it,
              and the state it leads to
    best_node, best_point : (K,) what has the least price at the driven state
    """

    problem: Problem
    bound: Bound
    driven: Driven
    choices: Array
    origin: IntArray
    price_g: Array
    causes_g: Mapping[str, Array]
    total_g: Array
    pick: IntArray
    after: IntArray
    best_node: IntArray
    best_point: IntArray

    @property
    def sum_g(self) -> float:
        """Sum of all prices [g]."""
        return float(self.price_g.sum())

    @property
    def gap_g(self) -> float:
        """Cost of the trip minus the lower bound [g]."""
        return self.driven.objective_g - self.bound.bound_g

    @property
    def best_choice(self) -> Array:
        """(K, 3 + I) choice of least price at each driven state."""
        return self.choices[self.origin[self.best_point]]


def ledger(problem: Problem, bound: Bound, trace: Trace, energy_J: Array) -> Ledger:
    """The ledger of a trip.

    problem : tables of the same plant and cycle       bound : a certificate on them, from which the search for the best slopes starts
    trace : the trip as it was played                  energy_J : (K + 1,) its stored energy
    Raises ``RunError`` when the stored energy is not what plant and battery make of the trip's own choices.
    """
    own, driven, origin = with_own_points(problem, trace, energy_J)
    best = best_bound(own, bound.shape, bound.segments, bound.values_g_J)
    return priced(own, best, driven, np.vstack([problem.tables.choice, trace.choice]), origin)


def with_own_points(problem: Problem, trace: Trace, energy_J: Array) -> tuple[Problem, Driven, IntArray]:
    """The problem with a trip's own choices among its points, the trip in it, and where each point's choice comes from.

    The problem starts and ends with the trip's charge; its window is widened to what the trip used, where that is more. A point's origin
    is its place in the tables, or their size plus the interval for the trip's own.
    """
    points, node = problem.points, np.asarray(trace.node)
    K, N = points.first.shape
    if node.size != K or len(trace.plant.nodes) != N:
        raise RunError(f"a trip of {node.size} intervals in {len(trace.plant.nodes)} nodes cannot be held against tables of {K} in {N}")
    size, rows = points.fuel.size, np.arange(K)
    blocks = [np.append(np.arange(points.first[k, c], points.first[k, c] + points.count[k, c]), size + k) for k, c in enumerate(node)]
    length = np.array([block.size for block in blocks])
    origin = np.concatenate([np.arange(size), *blocks])
    first, count = points.first.copy(), points.count.copy()
    first[rows, node], count[rows, node] = size + np.cumsum(length) - length, length
    fuel = np.append(points.fuel, np.asarray(trace.columns["fuel_g_s"], float))[origin]
    power = np.append(points.power, 1e3 * np.asarray(trace.columns["battery_power_kW"], float))[origin]
    own = replace(problem, points=Points(first, count, fuel, power, points.dt, points.burn), alive=count > 0)
    stored, live = change_energies(problem.plant, problem.tables.demand, count)     # the trip may be where the tables found nothing
    own = replace(own, changes=own.changes._replace(stored=stored, live=live))
    own = _without_waits(own) if states_of(own, node) is None else own
    driven = _driven(own, node, size + np.cumsum(length) - 1, energy_J)
    return _widened(own, driven), driven, origin


def _driven(problem: Problem, node: IntArray, point: IntArray, energy_J: Array) -> Driven:
    """The trip with its stored energy reckoned anew: change at the start of an interval, then the drive."""
    battery, points = problem.plant.battery, problem.points
    before = _before(node, problem)
    stored = problem.changes.stored[np.arange(node.size), before, node]
    energy = np.empty(node.size + 1)
    energy[0] = energy_J[0]
    for k in range(node.size):
        begin = energy[k] - stored[k]
        energy[k + 1] = begin - internal_power(battery, begin, points.power[point[k]]) * points.dt[k]
    astray = np.flatnonzero(~(np.abs(energy - energy_J) <= ENERGY_TOLERANCE * (battery.high_J - battery.low_J)))
    if astray.size:
        k = int(astray[0])
        raise RunError(f"stored energy after {k} intervals is given as {energy_J[k]:.1f} J, the trip's choices make it {energy[k]:.1f} J")
    states = states_of(problem, node)
    assert states is not None
    return Driven(node, states[1:], point, energy, objective_g(problem, node, point))


def _widened(problem: Problem, driven: Driven) -> Problem:
    """From the trip's first to its last charge, in a window that holds every energy at which the trip drives."""
    battery, tables = problem.plant.battery, problem.tables
    used = np.append(driven.energy_J, driven.energy_J[:-1] - problem.changes.stored[
        np.arange(driven.node.size), _before(driven.node, problem), driven.node])
    low, high = min(battery.low_J, float(used.min())), max(battery.high_J, float(used.max()))
    if (low, high) != (battery.low_J, battery.high_J):
        plant = replace(tables.plant, battery=battery._replace(low_J=low, high_J=high))
        tables = replace(tables, plant=plant)
    return replace(problem, tables=tables, start_J=float(driven.energy_J[0]), target_J=float(driven.energy_J[-1]))


def _before(node: IntArray, problem: Problem) -> IntArray:
    """(K,) node driven before each interval; the row from rest at first."""
    return np.concatenate([[problem.alive.shape[1]], node[:-1]])


def states_of(problem: Problem, node: IntArray) -> IntArray | None:
    """(K + 1,) state before each interval and at the end of a trip through the nodes; None where it changes sooner than it may."""
    changes = problem.changes
    states = np.full(node.size + 1, problem.states)
    for k, n in enumerate(node):
        following = np.flatnonzero(changes.open[states[k]] & (changes.node[:-1] == n))
        if not following.size:
            return None
        states[k + 1] = following[0]
    return states


def _without_waits(problem: Problem) -> Problem:
    """The problem without counters: its lower bound holds for trips that do not wait, too."""
    N = problem.alive.shape[1]
    return replace(problem, changes=problem.changes._replace(node=np.arange(N + 1), open=np.ones((N + 1, N), bool)))


def prices(problem: Problem, bound: Bound, node: IntArray, fuel_g: Array, energy_J: Array) -> tuple[Array, Array]:
    """(K,) prices of a trip that waits as long as the problem asks, and (K + 1,) the lower values of its states.

    node : (K,)      fuel_g : (K,) burnt in each interval, starts left aside      energy_J : (K + 1,)
    """
    before, states = _before(node, problem), states_of(problem, node)
    assert states is not None
    value = bound.intercept_g[np.arange(node.size + 1), states] - bound.costate_g_J * (energy_J - problem.target_J)
    price: Array = fuel_g + problem.changes.fixed[before, node] + value[1:] - value[:-1]
    return price, value


def priced(problem: Problem, bound: Bound, driven: Driven, choices: Array, origin: IntArray) -> Ledger:
    """The ledger of a trip that stands in the problem, against a certificate of that very problem."""
    K, N = problem.alive.shape
    rows, points = np.arange(K), problem.points
    price, value = prices(problem, bound, driven.node, points.fuel[driven.point] * points.burn, driven.energy_J)
    before = np.append(problem.states, driven.state[:-1])
    total, pick, after = np.empty((K, N)), np.empty((K, N), np.int64), np.empty((K, N), np.int64)
    price_choices(points, problem.plant.battery, problem.changes, bound.costate_g_J, bound.intercept_g, problem.target_J,
                  before, driven.energy_J, driven.point, value[:-1], total, pick, after)
    best_node = np.argmin(total, axis=1)
    causes = causes_of(problem, bound, driven, price, total, after, best_node)
    return Ledger(problem, bound, driven, choices, origin, price, causes, total, pick, after, best_node, pick[rows, best_node])


def causes_of(problem: Problem, bound: Bound, driven: Driven, price_g: Array, total_g: Array, after: IntArray,
              best_node: IntArray) -> dict[str, Array]:
    """The prices split, (K,) each [g].

    At the driven state let c be the configuration chosen, c* the one of least price, each with the engine speed and the division between
    engine, machines and brakes that are best there. Then
      division       price of the choice minus that of c with its best division; not negative
      transition     change into c and what follows from being there, minus the same for c*; negative where staying saves a change
      configuration  fuel and battery energy of the second in c minus the same in c*; with the transition not negative
      charge         price of c*: what no choice at that state avoids, of the charge it came with and the slack of the proof; not negative
    """
    rows, before = np.arange(price_g.size), _before(driven.node, problem)
    changes = problem.changes
    get_there = changes.fixed[before] + bound.costate_g_J[:-1, None] * changes.stored[rows, before]
    get_there += np.take_along_axis(bound.intercept_g[1:], after, axis=1)
    configuration = np.array([n.configuration for n in problem.plant.nodes])
    own = np.argmin(np.where(configuration == configuration[driven.node][:, None], total_g, np.inf), axis=1)
    chosen, least = total_g[rows, own], total_g[rows, best_node]
    transition = get_there[rows, own] - get_there[rows, best_node]
    return {"configuration": chosen - least - transition, "division": price_g - chosen, "transition": transition, "charge": least}
