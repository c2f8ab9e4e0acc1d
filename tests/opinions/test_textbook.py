"""The benchmark's NumPy plant and sweep, written a second time without a kernel, against the kernels.

Reference of every check: NumPy's own array arithmetic (numpy.interp, numpy.searchsorted, matrix products) in place of the compiled loops.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from ems.kernels.plant import fuel_rate, make_bench, make_cut, terminal_power
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.problem import fixed_costs
from ems.tables.build import DEFAULT_GRID, axle_least_Nm

LAYOUTS = ("three-clutch", "input-split", "series")
PIECES = {"drive off": (20, 45), "braking": (95, 120)}


def controls_of(plant, demand, k):
    from vectorised import AllCombinations, Steps

    return AllCombinations(plant, demand, Steps(3, 4, 5, 3))(k)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_plant_on_arrays_is_the_plant_of_the_kernels(plain, layout):
    """Fuel and terminal power of every control of some seconds, evaluated one by one in the kernel."""
    plant, demand = plain.plant(layout), plain.demand(layout, "udds", 20, 120)
    radius = plant.layout.vehicle.wheel_radius_m
    bench, seen = make_bench(plant.arrays), 0
    for k in range(0, 100, 14):
        controls = controls_of(plant, demand, k)
        axle_least = axle_least_Nm(plant, demand.speed_m_s[k: k + 1] / radius, demand.force_N[k: k + 1] * radius)
        for n in range(len(plant.nodes)):
            for j in range(controls.begin[n], controls.begin[n + 1]):
                f, torques = controls.choice[j, 0], controls.choice[j, 1:]
                cut = make_cut(plant.arrays, bench, n, demand.speed_m_s[k] / radius, f, demand.acceleration_m_s2[k] / radius,
                               demand.auxiliary_W[k], axle_least[0])
                assert cut.code == 0
                cut.x[:torques.size] = torques
                power, code = terminal_power(cut)
                assert code == 0
                assert power == pytest.approx(controls.power_W[j], rel=1e-9, abs=1e-6)
                assert fuel_rate(cut) == pytest.approx(controls.fuel_g_s[j], rel=1e-9, abs=1e-12)
                seen += 1
    assert seen > 100


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("piece", PIECES)
def test_frontiers_hold_the_best_of_all_combinations(plain, layout, piece):
    """The least fuel plus price times power of a second, over all combinations and over the frontier points: the same to 3 mg/s, which
    is some 50 W at the battery, at prices such as the optima have. A point missed would leave the combinations below, an invented one
    the frontier."""
    from vectorised import AllCombinations, FrontierPoints, Steps

    start, end = PIECES[piece]
    tables = plain.tables(layout, "udds", start, end, DEFAULT_GRID)
    for price in np.array([2.0, 2.25, 2.5]) / tables.plant.heating_value_J_g:
        for k in range(0, end - start, 6):
            every = AllCombinations(tables.plant, tables.demand, Steps(21, 31, 31, 5))(k)
            frontier = FrontierPoints(tables)(k)
            least = (every.fuel_g_s + price * every.power_W).min()
            assert least == pytest.approx((frontier.fuel_g_s + price * frontier.power_W).min(), abs=0.003)


def swept(problem, nodes):
    """(sweep, values, trip) of the NumPy sweep over a problem's frontier points."""
    from vectorised import FrontierPoints, Sweep

    price = 2.5 / problem.plant.heating_value_J_g
    run = Sweep(problem.plant, problem.points.dt, problem.changes, (problem.start_J, problem.target_J), nodes, price)
    supply = FrontierPoints(problem.tables)
    value = run.backward(supply)
    return price, value, run.forward(supply, value)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_values_on_arrays_are_those_of_the_kernels(plain, layout):
    """Constant voltage, where the kernels' battery is exact: the same values to rounding, on the same points and battery nodes."""
    from general import our_values

    problem = plain.problem(layout, "udds", 20, 60, battery=plain.constant_battery(resistance_ohm=0.15, capacity_As=6e3))
    price, value, _ = swept(problem, 151)
    ours = our_values(problem, full_corridor(problem, 151, price))[1:-1]
    inside = (ours < 1e6) & (np.arange(151) >= 40)          # below, leaving the window is priced differently
    assert inside.mean() > 0.2
    np.testing.assert_allclose(value[1:-1, :-1][inside], ours[inside], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_sweep_on_arrays_drives_the_trip_of_the_kernels(plain, layout):
    """Voltage over charge: as near as the kernels' parabola for the battery's square root leaves it."""
    problem = plain.problem(layout, "udds", 20, 120)
    price, _, trip = swept(problem, 151)
    driven = solve_dynamic(problem, full_corridor(problem, 151, price))
    assert trip.objective_g - price * trip.energy_J[-1] == pytest.approx(driven.objective_g - price * driven.energy_J[-1], rel=2e-4)


def test_textbook_trip_passes_the_audit_and_the_bound(plain):
    """Driven through the plant its fuel is what it says, all energy is accounted for, and it does not undercut the certificate."""
    from vectorised import AllCombinations, Steps, Sweep

    from ems.plant.trace import trace

    found = plain.optimum("three-clutch", "udds", 20, 60)
    problem = found.problem
    price = float(found.bound.costate_g_J[-1])
    run = Sweep(problem.plant, problem.points.dt, problem.changes, (problem.start_J, problem.target_J), 151, price)
    supply = AllCombinations(problem.plant, problem.tables.demand, Steps(5, 9, 9, 3))
    trip = run.forward(supply, run.backward(supply))
    fuel, fee = fixed_costs(problem.plant)
    tables = problem.tables
    driven = trace(problem.plant, tables.demand, tables.demands, tables.demand_of, trip.node, trip.choice, trip.energy_J, fuel, fee)
    assert 1e3 * driven.stores_kJ["fuel"] / problem.plant.heating_value_J_g == pytest.approx(trip.objective_g, rel=1e-9)
    assert abs(driven.energy_residual_percent) < 1e-6
    corrected = trip.objective_g - price * (trip.energy_J[-1] - problem.target_J)
    assert found.lower_bound_g * (1 - found.table_error_percent / 100) <= corrected <= 1.2 * found.objective_g


def test_the_benchmark_runs(capsys, tmp_path):
    """A small run from end to end: one JSON object, a picture, and the textbook no better than what is proven."""
    from textbook import main

    picture = tmp_path / "figure.png"
    main(["--from", "0", "--to", "45", "--ladder", "2", "--run", "1", "--times", "1", "--json", "--figure", str(picture)])
    said = json.loads(capsys.readouterr().out)
    rows = {(r["method"], r["battery_nodes"]): r for r in said["rows"]}
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert rows["textbook", 51]["fuel_g"] > said["bound_g"] > 0.0
    assert rows["textbook", 101]["fuel_g"] is None and rows["textbook", 101]["run"] == "timed on 40 of 45 s"
    assert all(r["wall_s"] > 0.0 for r in said["rows"])
    assert min(r["error_percent"] for r in said["rows"] if r["method"] == "ours") < rows["textbook", 51]["error_percent"]


def test_transition_costs_are_shared(plain):
    """What the benchmark pays for changes of configuration is what the solvers pay, wherever a table has points."""
    from vectorised import every_change

    problem = plain.problem("three-clutch", "udds", 20, 60)
    every, own = every_change(problem.plant, problem.tables.demand), problem.changes
    assert np.array_equal(every.fixed, own.fixed) and not (own.live & ~every.live).any()
    assert np.array_equal(every.stored[own.live], own.stored[own.live]) and np.ptp(every.stored) > 1e3
