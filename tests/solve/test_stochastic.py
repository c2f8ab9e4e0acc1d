"""Controllers that do not see ahead: the look-ahead against a plain twin, and nothing of the future in their decisions."""

from __future__ import annotations

import numpy as np
import pytest

from ems.kernels.changes import HUGE, Changes
from ems.kernels.prices import look_ahead
from ems.solve.stochastic import Tuning, _drive, best_causal, groups

PIECE = ("udds", 160, 250)


def twin(stage, changes, price, group, size, rounds):
    """The same look-ahead with lists and means."""
    K, N = stage.shape
    mean = np.zeros((size.size, N))
    for _ in range(rounds):
        value = np.array([[min(changes.fixed[a, c] + price * changes.stored[k, a, c] + stage[k, c] + mean[group[k], c]
                               for c in range(N) if stage[k, c] < HUGE) for a in range(N)] for k in range(K)])
        fresh = np.array([np.mean([value[(k + 1) % K] for k in range(K) if group[k] == g], axis=0) for g in range(size.size)])
        mean = 0.5 * (mean + fresh - fresh.min())
    return np.array([np.mean([value[(j + 1) % K] for j in range(K) if group[j] == group[k] and j != k], axis=0) for k in range(K)])


def test_look_ahead_against_a_plain_twin():
    random = np.random.default_rng(5)
    K, N = 30, 3
    stage = random.uniform(0.0, 2.0, (K, N))
    stage[random.random((K, N)) < 0.15] = HUGE
    stage[:, 0] = np.minimum(stage[:, 0], 3.0)
    changes = Changes(random.uniform(0.0, 0.5, (N + 1, N)), random.uniform(-1e3, 1e3, (K, N + 1, N)), np.ones((K, N + 1, N), bool),
                      np.arange(N + 1), np.ones((N + 1, N), bool))
    group = np.arange(K) % 4
    size, ahead = np.bincount(group), np.empty((K, N))
    look_ahead(stage, changes, 6e-5, group, size, 150, ahead)
    assert np.diff(ahead, axis=1) == pytest.approx(np.diff(twin(stage, changes, 6e-5, group, size, 200), axis=1), abs=1e-4)


def test_every_second_has_company(pieces):
    """A group of one second would foresee it."""
    for layout, name, start, end in (("series", *PIECE), ("series", "udds", 0, 400)):
        group, size = groups(pieces.problem(layout, name, start, end))
        assert size.min() >= 2 and size.sum() == group.size == end - start


def test_decisions_do_not_depend_on_what_follows(pieces):
    """Cut off the end of the trip, or make it another: the beginning is driven alike."""
    whole, cut = pieces.problem("series", "udds", 160, 250), pieces.problem("series", "udds", 160, 220)
    tuning, price = Tuning(1.0, 1, 0.2), 6e-5
    trips = [_drive("instantaneous", p, np.zeros((p.points.dt.size, p.states)), np.full(p.points.dt.size, price), price, tuning)
             for p in (whole, cut)]
    assert trips[0].driven.energy_J[:61] == pytest.approx(trips[1].driven.energy_J, abs=1e-6)


def test_causal_costs_lie_above_the_optimum(pieces):
    """No controller beats the certified optimum; the better method is named first, and its tuning ends near the charge asked for."""
    found = pieces.optimum("series", "udds", 160, 400)
    price = float(found.bound.costate_g_J[-1])
    causals = best_causal(found.problem, price)
    assert causals and [c.cost_g for c in causals] == sorted(c.cost_g for c in causals)
    for c in causals:
        assert c.cost_g >= found.lower_bound_g
        assert abs(c.residual_J) <= 0.01 * found.problem.plant.battery.energy_J[-1]
        assert c.to_dict()["method"] == c.method
