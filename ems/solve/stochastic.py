"""The best a controller could do that does not see ahead: instantaneous, and by a stochastic dynamic programme on the cycle's statistics.

Both choose each second what costs least in fuel, stored energy at a price, and change. The instantaneous one counts a share of the cost
of a change, as the new configuration will serve for longer than a second. The stochastic one counts all of it, and the mean cost of what
follows, from a Markov chain whose states are the seconds of the cycle, grouped by speed and acceleration: after a second may follow the
successor of any other second of its group, all equally likely. What a second is followed by in truth is left out, so that nothing is
foreseen which a controller could not have learnt. Price, its feedback from charge and the share are tuned on the cycle itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from ems.kernels.jit import share_out
from ems.kernels.prices import drive_priced, look_ahead
from ems.kernels.sweep import stage_at
from ems.solve.dynamic import Driven, objective_g
from ems.solve.problem import Problem
from ems.types import Array, IntArray

SPEED_STEP_M_S = 5.0 / 3.6                      # width of a group; acceleration in the classes below
ACCELERATION_EDGES_M_S2 = (-0.6, -0.15, 0.15, 0.6)
LEAST_SECONDS = 10                              # smaller groups join those of the same speed, then all others that are small
FEEDBACKS = ((0.0, 1), (0.1, 1), (0.3, 1), (0.3, 3), (1.0, 3), (3.0, 3), (10.0, 3))     # of the price from charge, and their power
SHARES = (0.1, 0.2, 0.3)
ROUNDS = 150
PRICE_RANGE = (0.5, 2.0)                        # of the costate, where the price is sought
RESIDUAL = 0.01                                 # of the battery's energy: charge that may be left at the end, valued at the costate
LEEWAY = 0.005                                  # of the window: how far a controller that cannot see ahead may leave it


class Tuning(NamedTuple):
    """Parameters beside the price: feedback from charge and its power (``drive_priced``), share of a change's cost counted at once."""

    feedback: float
    power: int
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Causal:
    """A controller that does not see ahead, tuned on the cycle, and its trip.

    method : 'instantaneous' or 'stochastic'       cost_g : its cost, charge at the end made equal at the costate
    residual_J : charge above the target at the end that was so valued
    price_g_J, tuning : what was tuned             kept_window : whether the trip stayed in the window, ``LEEWAY`` granted
    """

    method: str
    driven: Driven
    cost_g: float
    residual_J: float
    price_g_J: float
    tuning: Tuning
    kept_window: bool

    def to_dict(self) -> dict[str, Any]:
        """What can be said of it in numbers."""
        return {"method": self.method, "cost_g": self.cost_g, "residual_J": self.residual_J, "price_g_J": self.price_g_J,
                **self.tuning._asdict()}


def groups(problem: Problem) -> tuple[IntArray, IntArray]:
    """(K,) group of each second by speed and acceleration, and how many seconds each group has."""
    demand = problem.tables.demand
    speed = np.where(demand.standstill, 0, 1 + np.floor(demand.speed_m_s / SPEED_STEP_M_S)).astype(np.int64)
    group = 100 * speed + np.digitize(demand.acceleration_m_s2, ACCELERATION_EDGES_M_S2)
    for wider in (100 * speed + 50, np.full(speed.size, -1)):
        _, place, count = np.unique(group, return_inverse=True, return_counts=True)
        group = np.where(count[place.reshape(-1)] < LEAST_SECONDS, wider, group)
    _, place, count = np.unique(group, return_inverse=True, return_counts=True)
    return place.reshape(-1).astype(np.int64), count.astype(np.int64)


def expected_ahead(problem: Problem, price_g_J: float) -> Array:
    """(K, S) mean cost of what follows being in each state, by the Markov chain above, at a price of stored energy [g]."""
    K, N = problem.alive.shape
    stage, pick = np.empty((K, N)), np.empty((K, N), np.int64)
    reference = np.full(K, 0.5 * (problem.start_J + problem.target_J))
    share_out(stage_at, K, problem.points, problem.plant.battery, np.full(K + 1, price_g_J), reference, stage, pick)
    group, size = groups(problem)
    ahead = np.empty((K, problem.states))
    look_ahead(stage, problem.changes, price_g_J, group, size, ROUNDS, ahead)
    return ahead


def best_causal(problem: Problem, price_g_J: float) -> tuple[Causal, ...]:
    """The best-tuned controller of each method, cheapest first; a method that cannot keep window and end charge is left out.

    price_g_J : costate at the end, around which the price is sought and at which charge left at the end is valued
    """
    blind, learnt = np.zeros((problem.alive.shape[0], problem.states)), expected_ahead(problem, price_g_J)
    best = []
    for method, ahead, shares in (("instantaneous", blind, SHARES), ("stochastic", learnt, (1.0,))):
        found = [settled(method, problem, ahead, price_g_J, Tuning(*feedback, share)) for feedback in FEEDBACKS for share in shares]
        kept = [c for c in found if c is not None and c.kept_window]
        best += [min(kept, key=lambda c: c.cost_g)] if kept else []
    return tuple(sorted(best, key=lambda c: c.cost_g))


def settled(method: str, problem: Problem, ahead: Array, price_g_J: float, tuning: Tuning) -> Causal | None:
    """The cheapest trip with the price that brings it to its target; None where none does.

    Bisection on the price; charge at the end jumps across the root, so the dearer price is then held up to a second that is bisected too.
    """
    K = problem.alive.shape[0]
    low, high = (share * price_g_J for share in PRICE_RANGE)
    tried: list[Causal] = []

    def residual_J(price: Array) -> float:
        made = _drive(method, problem, ahead, price, price_g_J, tuning)
        if made is None:
            return math.nan
        tried.append(made)
        return made.residual_J

    while high - low > 1e-4 * price_g_J:
        middle = 0.5 * (low + high)
        residual = residual_J(np.full(K, middle))
        if math.isnan(residual):
            return None
        low, high = (low, middle) if residual >= 0.0 else (middle, high)
    first, last = 0, K
    while last - first > 1:
        middle_k = (first + last) // 2
        residual = residual_J(np.where(np.arange(K) < middle_k, high, low))
        first, last = (first, middle_k) if residual >= 0.0 else (middle_k, last)
    allowed = RESIDUAL * float(problem.plant.battery.energy_J[-1])
    near = [c for c in tried if abs(c.residual_J) <= allowed]
    return min(near, key=lambda c: (not c.kept_window, c.cost_g), default=None)


def _drive(method: str, problem: Problem, ahead: Array, price: Array, price_g_J: float, tuning: Tuning) -> Causal | None:
    K = problem.alive.shape[0]
    battery = problem.plant.battery
    state, point, energy = np.empty(K, np.int64), np.empty(K, np.int64), np.empty(K + 1)
    stuck = drive_priced(problem.points, battery, problem.changes, ahead, price, tuning.feedback, tuning.power, problem.target_J,
                         tuning.share, problem.start_J, state, point, energy)
    if stuck >= 0:
        return None
    node = problem.changes.node[state]
    driven = Driven(node, state, point, energy, objective_g(problem, node, point))
    residual = float(energy[-1] - problem.target_J)
    leeway = LEEWAY * (battery.high_J - battery.low_J)
    kept = bool(energy.min() >= battery.low_J - leeway and energy.max() <= battery.high_J + leeway)
    return Causal(method, driven, driven.objective_g - price_g_J * residual, residual, float(price[0]), tuning, kept)
