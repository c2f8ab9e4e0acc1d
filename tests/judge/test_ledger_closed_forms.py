"""Prices known by hand: a convex engine and a battery, six steps on one bus."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ems.judge.ledger import CAUSES, priced
from ems.solve.certificate import lower_bound, window_cells
from ems.solve.costate import solve_costate
from ems.solve.dynamic import Driven, full_corridor, objective_g, solve_dynamic
from ems.solve.stochastic import Tuning, settled

DEMAND_KW = np.array([5.0, 20.0, 35.0, 10.0, -10.0, 30.0])
OWN_KW = np.array([5.0, 20.0, 30.0, 10.0, 0.0, 25.0])      # a trip that follows the demand as far as the engine goes; 90 kWs in all
POINTS = 3001                                               # engine powers from 0 to 30 kW


def fuel_g_s(kW):
    return 0.10 + 0.055 * kW + 0.0006 * kW**2


def steps(bare_problem, demand_kW, loss_per_kW, window_J):
    engine = np.linspace(0.0, 30.0, POINTS)
    battery = demand_kW[:, None] - engine
    fuel = np.broadcast_to(fuel_g_s(engine), battery.shape)
    return bare_problem(fuel, 1e3 * (battery + loss_per_kW * battery**2), window_J=window_J)


def priced_trip(bare_problem, loss_per_kW, costate_g_J):
    """The ledger of the trip above against the bound for a given costate, and the stored energy it took [kJ]."""
    problem = steps(bare_problem, DEMAND_KW, loss_per_kW, 4e5)
    point = np.rint(OWN_KW / 30.0 * (POINTS - 1)).astype(int) + POINTS * np.arange(6)
    battery = DEMAND_KW - OWN_KW
    taken = battery + loss_per_kW * battery**2
    energy = problem.start_J - 1e3 * np.concatenate([[0.0], np.cumsum(taken)])
    problem = replace(problem, target_J=float(energy[-1]))
    node = np.zeros(6, np.int64)
    bound = lower_bound(problem, window_cells(problem), np.ones(7), np.zeros(7, np.int64), np.array([costate_g_J]))
    return priced(problem, bound, Driven(node, node, point, energy, objective_g(problem, node, point)), np.zeros((0, 4)), point), taken


def test_prices_without_battery_loss_are_squares(bare_problem):
    """A1, lossless: at the costate 0.073 g/kJ the best engine power is 15 kW, and 5 kW more or less costs 0.0006 x 5^2 g, whatever the
    demand (completing the square in f(P) - 0.073 P; derived). In all 0.42 g: 6.78 g by hand for the trip, 6.36 g the optimum."""
    entries, _ = priced_trip(bare_problem, 0.0, 0.073e-3)
    assert entries.price_g == pytest.approx(0.0006 * (OWN_KW - 15.0) ** 2, abs=1e-9)
    assert entries.driven.objective_g == pytest.approx(6.78, abs=1e-9)
    assert entries.bound.bound_g == pytest.approx(6.36, abs=1e-9)
    assert entries.sum_g == pytest.approx(0.42, abs=1e-9)
    assert entries.causes_g["division"] == pytest.approx(entries.price_g, abs=1e-9)       # one configuration: nothing else to blame


def test_prices_with_battery_loss(bare_problem):
    """A2, loss 0.004 P^2: with the costate m the stationary engine power solves f'(P) = m (1 + 0.008 (D - P)), so
    P = (m (1 + 0.008 D) - 0.055) / (0.0012 + 0.008 m); the price is the difference of f + m p_s to there (derived)."""
    m = 0.07375209496226
    entries, taken = priced_trip(bare_problem, 0.004, m * 1e-3)
    best = np.clip((m * (1 + 0.008 * DEMAND_KW) - 0.055) / (0.0012 + 0.008 * m), 0.0, 30.0)
    least = fuel_g_s(best) + m * (DEMAND_KW - best + 0.004 * (DEMAND_KW - best) ** 2)
    assert entries.price_g == pytest.approx(fuel_g_s(OWN_KW) + m * taken - least, abs=2e-7)
    assert entries.sum_g == pytest.approx(entries.gap_g, rel=1e-9)
    for cause in set(CAUSES) - {"division"}:
        assert entries.causes_g[cause] == pytest.approx(np.zeros(6), abs=2e-7)


def test_slope_costate_and_constant_agree(bare_problem):
    """A smooth convex problem has one price of stored energy: slope of the dynamic programme, costate and the constant of the
    instantaneous controller agree within 1 % (theory: the value function is differentiable and its slope is the multiplier)."""
    demand = 14.0 + 10.0 * np.sin(2 * np.pi * np.arange(60) / 30.0)
    problem = steps(bare_problem, demand, 0.004, 2e6)
    costate = solve_costate(problem, 7e-5).above.costate_g_J[0]
    step_J = 0.03 * (problem.window_J[1] - problem.window_J[0])
    less, driven, more = (solve_dynamic(moved := replace(problem, start_J=problem.start_J + step), full_corridor(moved, 401, costate))
                          for step in (-step_J, 0.0, step_J))
    slope = (less.objective_g - more.objective_g) / (2 * step_J)
    tuned = settled("instantaneous", problem, np.zeros((60, 1)), 7e-5, Tuning(0.0, 1, 1.0))
    assert slope == pytest.approx(costate, rel=0.01)
    assert tuned.price_g_J == pytest.approx(costate, rel=0.01)
    assert tuned.cost_g == pytest.approx(driven.objective_g, rel=0.001)
