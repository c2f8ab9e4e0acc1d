"""Six steps on one bus, optima known in closed form, through the costate search, the dynamic programming and the certificate."""

from __future__ import annotations

import numpy as np
import pytest

from ems.kernels.changes import HUGE, Changes, links_of
from ems.kernels.sweep import chain
from ems.solve.certificate import best_bound
from ems.solve.costate import solve_costate
from ems.solve.dynamic import full_corridor, narrow_corridor, solve_dynamic

DEMAND_KW = np.array([5.0, 20.0, 35.0, 10.0, -10.0, 30.0])
A1_G, A1_COSTATE = 6.36, 0.073
A2_G, A2_COSTATE = 6.635928778305, 0.07375209496226


def six_steps(bare_problem, loss_per_kW, points):
    """Engine from 0 to 30 kW, the battery takes or gives the rest; an even ladder of engine powers."""
    engine = np.linspace(0.0, 30.0, points)
    fuel = np.broadcast_to(0.10 + 0.055 * engine + 0.0006 * engine**2, (6, points))
    battery = DEMAND_KW[:, None] - engine
    return bare_problem(fuel, 1e3 * (battery + loss_per_kW * battery**2), window_J=4e5)


def solved(problem, nodes=401):
    """(objective, lower bound, costate of the bound per kJ, the two costates of the search)."""
    costate = solve_costate(problem, 7e-5, tolerance=1e-4)
    final = costate.above.costate_g_J[-1]
    bound = best_bound(problem, np.ones(7), np.zeros(7, np.int64), np.array([final]))
    coarse = solve_dynamic(problem, full_corridor(problem, nodes, final))
    fine = solve_dynamic(problem, narrow_corridor(problem, coarse.energy_J - 4e3, coarse.energy_J + 4e3, nodes, final))
    return min(coarse.objective_g, fine.objective_g), bound.bound_g, 1e3 * bound.costate_g_J[0], costate


@pytest.mark.parametrize(("loss", "cost_g", "price"), [(0.0, A1_G, A1_COSTATE), (0.004, A2_G, A2_COSTATE)], ids=["A1", "A2"])
def test_six_steps_with_and_without_battery_loss(bare_problem, loss, cost_g, price, outside_check):
    """Fuel rate 0.10 + 0.055 P + 0.0006 P^2, charge in and out alike. A1, lossless: by hand the engine is constant at the mean,
    15 kW, 6.36 g, price 0.055 + 2 x 0.0006 x 15. A2, P_s = P_b + 0.004 P_b^2: root of the stationarity condition
    fuel'(P) = price (1 + 0.008 P_b) with the sum of P_s zero, solved to twelve digits (derived); no duality gap, being convex."""
    objective, bound, costate, search = solved(six_steps(bare_problem, loss, 3001))
    assert bound <= objective
    source, what = "stationarity of six convex steps on one bus (derived)", f"battery loss {loss:g} P^2"
    outside_check(bound, source=source, quantity=f"certificate, {what}", value=cost_g, unit="g", tolerance=2e-7 * cost_g)
    outside_check(objective, source=source, quantity=f"trip driven, {what}", value=cost_g, unit="g", tolerance=5e-5 * cost_g)
    outside_check(costate, source=source, quantity=f"costate, {what}", value=price, unit="g/kJ", tolerance=5e-4 * price)
    assert 1e3 * search.below.costate_g_J[-1] - 1e-4 <= price <= 1e3 * search.above.costate_g_J[-1] + 1e-4


# Hillier and Lieberman, Introduction to Operations Research, dynamic programming: the stagecoach problem. Cost of each leg (11 as the least
# read; legs and costs to go from memory).
LEGS = {"A": {"B": 2, "C": 4, "D": 3}, "B": {"E": 7, "F": 4, "G": 6}, "C": {"E": 3, "F": 2, "G": 4}, "D": {"E": 4, "F": 1, "G": 5},
        "E": {"H": 1, "I": 4}, "F": {"H": 6, "I": 3}, "G": {"H": 3, "I": 3}, "H": {"J": 3}, "I": {"J": 4}}
TO_GO = {"A": (0, 11), "B": (1, 11), "C": (1, 7), "D": (1, 8), "E": (2, 4), "F": (2, 7), "G": (2, 6)}


def test_stagecoach_problem(outside_check):
    """Towns as configurations, legs as changes between them: the kernel that the costate and the certificate use, its every value to go."""
    towns, stages = "BCDEFGHIJ", ("BCD", "EFG", "HI", "J")
    N, K = len(towns), len(stages)
    fixed, live = np.zeros((N + 1, N)), np.zeros((K, N + 1, N), bool)
    cost = np.full((K, N), HUGE)
    for k, reached in enumerate(stages):
        cost[k, [towns.index(t) for t in reached]] = 0.0
    for start, legs in LEGS.items():
        a = towns.find(start) % (N + 1)             # A is where the trip starts from rest: the last row
        for end, price in legs.items():
            fixed[a, towns.index(end)], live[:, a, towns.index(end)] = price, True
    changes = Changes(fixed, np.zeros((K, N + 1, N)), live, np.arange(N + 1), np.ones((N + 1, N), bool))
    value, follow = np.empty((K + 1, N + 1)), np.empty((K, N + 1), np.int64)
    chain(cost, links_of(changes, (cost < HUGE).astype(np.int64)), np.zeros(K + 1), value, follow)
    for town, (k, least) in TO_GO.items():
        outside_check(value[k, towns.find(town) % (N + 1)], quantity=f"least cost from {town} to J", value=least, unit="-", tolerance=1e-12,
                      source="Hillier and Lieberman, Introduction to Operations Research: stagecoach problem (legs from memory)")


def test_the_mean_is_driven_without_losses(bare_problem):
    """A1, the textbook result (Jensen's inequality): a convex fuel rate and a lossless store make the engine run at the mean."""
    problem = six_steps(bare_problem, 0.0, 301)
    run = solve_costate(problem, 7e-5).above
    assert 30.0 * (run.point % 301) / 300 == pytest.approx(np.full(6, 15.0), abs=0.101)


def test_refinement_closes_in_on_the_limit(bare_problem):
    """A2 (derived): with points on 31, 121, 481 engine powers the bound falls to the limit from above as the square of the spacing,
    and what is driven comes down with points and nodes."""
    above, driven = [], []
    for points, nodes in ((31, 51), (121, 201), (481, 801)):
        objective, bound, _, _ = solved(six_steps(bare_problem, 0.004, points), nodes)
        assert A2_G * (1 - 1e-9) <= bound <= objective
        above.append(bound / A2_G - 1)
        driven.append(objective / A2_G - 1)
    assert above[1] < above[0] / 4 and above[2] < above[1] / 4 + 1e-9
    assert driven[2] < driven[0] / 2 and driven[2] < 1e-3
