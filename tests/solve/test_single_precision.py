"""Values in single precision, counted anew at every interval, against the same sweep in double precision (derived: one problem)."""

from __future__ import annotations

import numpy as np
import pytest

from ems.kernels.changes import HUGE
from ems.kernels.dynamic import dynamic_programming
from ems.layout.load import load_layout
from ems.plant.plant import build_plant
from ems.solve.dynamic import full_corridor, solve_dynamic, swept
from ems.solve.problem import build_problem
from ems.tables.build import build_tables
from ems.trips.demand import demand
from tests.solve.conftest import SMALL


def in_double_precision(row, size):
    """Instead of ``values_of``."""
    return np.empty((int(row.max()) + 1, size)), np.empty(row.shape[0])


@pytest.mark.parametrize(("layout", "nodes"), [("series", 101), ("three-clutch", 251), ("input-split", 2001), ("plain-car", 101)])
def test_values_are_those_of_double_precision(pieces, layout, nodes):
    """A trip of ten minutes, some 500 g of fuel at the start that single precision alone tells apart by 0.03 mg: differences between
    values near each other, which is what decides, are good to 0.04 mg near the middle."""
    found = pieces.optimum(layout, "udds", 0, 600)
    problem = found.problem
    corridor = full_corridor(problem, nodes, float(found.bound.costate_g_J.max()))
    row, value, base = swept(problem, corridor)
    exact = np.empty(value.shape)
    dynamic_programming(problem.points, problem.plant.battery, problem.links, corridor, row, exact, np.zeros(0))
    for k in range(0, row.shape[0], 50):
        rows = row[k][row[k] >= 0]
        possible = exact[rows] < 1e6
        assert np.array_equal(possible, value[rows] < 0.5 * HUGE)
        np.testing.assert_allclose((value[rows].astype(float) + base[k])[possible], exact[rows][possible], rtol=1e-6, atol=2e-4)
        near = possible[:, 1:] & possible[:, :-1]
        steps, sizes = np.diff(exact[rows], axis=1)[near], np.abs(value[rows])[:, 1:][near]
        np.testing.assert_array_less(np.abs(np.diff(value[rows].astype(float), axis=1)[near] - steps), 4e-5 + 1e-6 * sizes)


@pytest.mark.parametrize("layout", ["series", "three-clutch"])
def test_trips_are_as_good(pieces, layout, monkeypatch):
    """The driven trip, whose fuel is reckoned in double precision, costs the same to 0.002 %."""
    found = pieces.optimum(layout, "udds", 0, 600)
    corridor = full_corridor(found.problem, 501, float(found.bound.costate_g_J.max()))
    single = solve_dynamic(found.problem, corridor)
    monkeypatch.setattr("ems.solve.dynamic.values_of", in_double_precision)
    double = solve_dynamic(found.problem, corridor)
    assert single.objective_g == pytest.approx(double.objective_g, rel=2e-5)


def small_problem(pieces, name, rating_kW, seconds, start, end):
    """A layout with a smaller engine on the first seconds of US06, coarse tables."""
    layout = load_layout(name, overrides=(f"engine.rating_kW={rating_kW}",))
    plant = build_plant(layout)
    tables = build_tables(plant, demand(pieces.cycle("us06", 0, seconds), layout.vehicle), SMALL)
    problem = build_problem(tables, *(float(layout.battery.energy_J(soc)) for soc in (start, end)))
    return problem, full_corridor(problem, 251, 2.7 / plant.heating_value_J_g)


@pytest.mark.parametrize(("rating_kW", "start"), [(22, 0.26), (20, 0.24)])
def test_where_little_of_the_window_is_a_way(pieces, monkeypatch, rating_kW, start):
    """A small engine and a battery that gives less as it empties: the trip that double precision finds, to 0.1 %."""
    problem, corridor = small_problem(pieces, "series-chargeable", rating_kW, 250, start, 0.2)
    single = solve_dynamic(problem, corridor)
    monkeypatch.setattr("ems.solve.dynamic.values_of", in_double_precision)
    assert single.objective_g == pytest.approx(solve_dynamic(problem, corridor).objective_g, rel=1e-3)


def test_where_the_middle_of_the_window_is_no_way(pieces):
    """No trip is possible from the middle node for 300 of 400 s. Counted from what lies there or is interpolated with it, some 1e11 to
    1e12 g, all other values would be lost in single precision."""
    problem, corridor = small_problem(pieces, "series", 30, 400, 0.5, 0.55)
    row, value, base = swept(problem, corridor)
    assert np.abs(base).max() < 1e5
    exact = np.empty(value.shape)
    dynamic_programming(problem.points, problem.plant.battery, problem.links, corridor, row, exact, np.zeros(0))
    assert min(exact[row[0][row[0] >= 0], corridor.size // 2]) > 1e6
    for k in range(0, row.shape[0], 20):
        rows = row[k][row[k] >= 0]
        possible = exact[rows] < 1e6
        np.testing.assert_allclose((value[rows].astype(float) + base[k])[possible], exact[rows][possible], rtol=1e-5, atol=1e-2)
