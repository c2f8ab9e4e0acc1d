"""What must hold between optima: freedoms, windows and prices; and that no random policy does better than the bound.

Source: by definition - an optimum over more choices, or with every choice no dearer, cannot be higher.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ems.solve.certificate import best_bound
from ems.solve.costate import solve_costate

PIECE = ("udds", 160, 330)          # the longest hill of speed in the urban cycle, to a stop


def ordered(freer, tighter):
    """The freer optimum is no higher than the tighter one, beyond what both leave unproven."""
    assert freer.lower_bound_g <= tighter.objective_g
    slack = (freer.gap_percent + freer.table_error_percent + tighter.table_error_percent) / 100 * freer.objective_g
    assert freer.objective_g <= tighter.objective_g + slack


def test_a_configuration_forbidden_never_lowers_the_optimum(pieces):
    """The configuration that three clutches use longest with the engine running forbidden: no less fuel, and it is not used."""
    free = pieces.optimum("three-clutch", *PIECE)
    used = [c for c, g_s in zip(free.trace.columns["configuration"], free.trace.columns["fuel_g_s"], strict=True) if g_s > 0]
    most = max(set(used), key=used.count)
    tight = pieces.optimum("three-clutch", *PIECE, (f"forbid=['{most}']",))
    ordered(free, tight)
    assert most not in tight.trace.columns["configuration"]
    assert tight.objective_g >= free.lower_bound_g


def test_a_wider_window_never_raises_the_optimum(pieces):
    """Windows one inside the other, the inner ones binding."""
    limits = [(0.35, 0.75), (0.5, 0.6), (0.535, 0.565)]
    found = [pieces.optimum("series", *PIECE, (f"battery.soc_low={a}", f"battery.soc_high={b}")) for a, b in limits]
    ordered(found[0], found[1])
    ordered(found[1], found[2])
    assert found[2].lower_bound_g > found[0].objective_g


def test_a_lower_price_never_raises_the_optimum(pieces):
    """Price of a shift and of a start, none to high: cost rises, fuel never falls below the optimum without prices."""
    found = [pieces.optimum("input-split", *PIECE, over)
             for over in ((), ("prices.start_g=0.3",), ("prices.start_g=1.5", "prices.shift_g=0.2"))]
    ordered(found[0], found[1])
    ordered(found[1], found[2])
    for priced in found[1:]:
        assert priced.objective_g == pytest.approx(priced.fuel_g + priced.price_g)
        assert priced.fuel_g >= found[0].lower_bound_g
    assert found[2].price_g > 0
    assert found[2].engine_starts + found[2].configuration_changes <= found[0].engine_starts + found[0].configuration_changes


def test_more_charge_asked_for_never_costs_less(pieces):
    """Charge at the end is worth fuel."""
    found = [pieces.optimum("series", *PIECE, (), (0.55, end)) for end in (0.5, 0.55, 0.6)]
    ordered(found[0], found[1])
    ordered(found[1], found[2])
    assert found[0].objective_g < found[1].lower_bound_g < found[1].objective_g < found[2].lower_bound_g


# -- random policies ---------------------------------------------------------------------------------------------------


def cost_of(problem, node, point):
    """Fuel and changes of a schedule [g], added up here."""
    before = np.concatenate([[problem.points.first.shape[1]], node[:-1]])
    return float(np.sum(problem.changes.fixed[before, node]) + problem.points.fuel[point] @ problem.points.dt)


@pytest.mark.parametrize("layout", ["series", "input-split", "three-clutch"])
def test_no_random_policy_beats_the_bound(pieces, random_trip, layout):
    """Forty random trips, thrifty and wasteful, each held against the bound for the very charge that it ended with."""
    problem = pieces.problem(layout, "udds", 160, 250)
    random = np.random.default_rng(20)
    K = problem.points.dt.size
    trips = [t for t in (random_trip(problem, random) for _ in range(40)) if t is not None]
    assert len(trips) >= 20
    shape, one = np.ones(K + 1), np.zeros(K + 1, np.int64)
    lowest = np.inf
    for node, point, energy in trips:
        cost, asked = cost_of(problem, node, point), replace(problem, target_J=float(energy[-1]))
        price = float(solve_costate(asked, 2.5 / problem.plant.heating_value_J_g).above.costate_g_J[-1])
        bound = best_bound(asked, shape, one, np.array([price])).bound_g
        assert bound <= cost
        lowest = min(lowest, (cost - bound) / cost)
    assert lowest < 0.9       # some trips come near enough for the comparison to mean something
