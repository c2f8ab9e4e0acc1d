"""The ledger of trips that nobody would drive, on every shipped layout."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ems.errors import RunError
from ems.judge.ledger import CAUSES, ledger, prices
from ems.library import names
from ems.plant.counters import Waits
from ems.solve.certificate import best_bound
from ems.solve.costate import solve_costate
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.problem import transition_costs
from ems.tables.build import DEFAULT_GRID

LAYOUTS = sorted(names("layout"))
PIECE = ("udds", 160, 240)
LEAST_G = -1e-9
FINER = DEFAULT_GRID._replace(free_points=5, torque_points=7, brake_points=5, inner_points=4, slope_steps=4, capacity=14)


def start_bound(problem):
    K = problem.points.dt.size
    price = float(solve_costate(problem, 2.5 / problem.plant.heating_value_J_g).above.costate_g_J[-1])
    return best_bound(problem, np.ones(K + 1), np.zeros(K + 1, np.int64), np.array([price]))


@pytest.fixture(scope="module")
def judged(pieces, trips):
    """layout, seed -> ledger of a random trip; its choices come from other tables than the ledger's."""
    bounds = {}

    def make(layout, seed, overshoot=0.0):
        problem, other = pieces.problem(layout, *PIECE), pieces.problem(layout, *PIECE, grid=FINER)
        if layout not in bounds:
            bounds[layout] = start_bound(problem)
        trip = trips.random(other, np.random.default_rng(seed), overshoot)
        return None if trip is None else ledger(problem, bounds[layout], trips.played(other, *trip), trip[2])

    return make


def check(entries):
    """What every ledger must be, whatever was driven."""
    assert entries.bound.bound_g <= entries.driven.objective_g                                   # weak duality
    assert entries.price_g.min() >= LEAST_G
    assert entries.sum_g == pytest.approx(entries.driven.objective_g - entries.bound.bound_g, rel=1e-9)
    assert sum(entries.causes_g[c] for c in CAUSES) == pytest.approx(entries.price_g, abs=1e-9)
    assert entries.causes_g["division"].min() >= LEAST_G and entries.causes_g["charge"].min() >= LEAST_G
    assert (entries.causes_g["configuration"] + entries.causes_g["transition"]).min() >= LEAST_G


@pytest.mark.parametrize("layout", LAYOUTS)
def test_prices_are_never_negative_and_add_up(judged, layout):
    ledgers = [entries for entries in (judged(layout, seed) for seed in range(12)) if entries is not None]
    assert len(ledgers) >= 6
    for entries in ledgers:
        check(entries)
    assert max(entries.gap_g for entries in ledgers) > 1.0                                       # wasteful trips are told from thrifty ones


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(seed=st.integers(100, 10_000), layout=st.sampled_from(LAYOUTS))
def test_any_random_policy(judged, layout, seed):
    if (entries := judged(layout, seed)) is not None:
        check(entries)


def test_a_trip_beyond_the_window_is_priced_in_a_wider_one(pieces, trips):
    """Charge a little below the lower limit: the values hold for the wider window, so the prices still do."""
    problem = pieces.problem("three-clutch", *PIECE)
    low, high = problem.window_J
    battery = problem.plant.battery._replace(low_J=problem.start_J + 0.001 * (high - low))
    tables = replace(problem.tables, plant=replace(problem.plant, battery=battery))
    narrow = replace(problem, tables=tables, target_J=problem.start_J)
    random = np.random.default_rng(3)
    trip = next(t for t in (trips.random(problem, random) for _ in range(50)) if t is not None and t[2].min() < battery.low_J)
    entries = ledger(narrow, start_bound(problem), trips.played(problem, *trip), trip[2])
    assert entries.problem.window_J[0] <= trip[2].min() < battery.low_J
    check(entries)


def test_trips_that_wait_and_trips_that_do_not(pieces, trips):
    """Three seconds asked for in a configuration: a trip that keeps them is priced with counters in the state, a hasty one without."""
    problem = pieces.problem("three-clutch", *PIECE)
    waiting = replace(problem, changes=transition_costs(problem.tables, Waits(dwell_s=3.0)))
    bound = start_bound(waiting)
    patient = solve_dynamic(waiting, full_corridor(waiting, 101, float(bound.costate_g_J[-1])))
    entries = ledger(waiting, bound, trips.played(problem, patient.node, patient.point, patient.energy_J), patient.energy_J)
    assert entries.problem.states == waiting.states > problem.states
    check(entries)
    random = np.random.default_rng(8)
    hasty = next(t for t in (trips.random(problem, random) for _ in range(50)) if t is not None)
    entries = ledger(waiting, bound, trips.played(problem, *hasty), hasty[2])
    assert entries.problem.states == problem.states
    check(entries)


def test_stored_energy_that_does_not_follow_is_refused(pieces, trips):
    problem = pieces.problem("series", *PIECE)
    random = np.random.default_rng(1)
    node, point, energy = next(t for t in (trips.random(problem, random) for _ in range(50)) if t is not None)
    trace = trips.played(problem, node, point, energy)
    wrong = energy.copy()
    wrong[41:] += 5_000.0
    with pytest.raises(RunError, match="after 41 intervals"):
        ledger(problem, start_bound(problem), trace, wrong)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_prices_by_another_reckoning(judged, layout):
    """Prices and the best choice at each state again, in plain numpy from the tables and the bound's arrays."""
    entries = next(e for e in (judged(layout, seed) for seed in range(50, 80)) if e is not None)
    problem, bound, driven = entries.problem, entries.bound, entries.driven
    battery, points, changes = problem.plant.layout.battery, problem.points, problem.changes
    slope, a = bound.costate_g_J, problem.alive.shape[1]
    for k in range(points.dt.size):
        now = bound.intercept_g[k, a] - slope[k] * (driven.energy_J[k] - problem.target_J)
        for c in np.flatnonzero(points.count[k]):
            start = driven.energy_J[k] - changes.stored[k, a, c]
            soc = float(battery.soc_at(np.clip(start, *problem.window_J)))
            v = np.interp(soc, battery.soc, battery.voltage_V)
            index = np.arange(points.first[k, c], points.first[k, c] + points.count[k, c])
            ohm = np.where(points.power[index] > 0, np.interp(soc, battery.soc, battery.resistance_discharge_ohm),
                           np.interp(soc, battery.soc, battery.resistance_charge_ohm))
            with np.errstate(invalid="ignore"):
                used = points.dt[k] * v * (v - np.sqrt(v**2 - 4 * points.power[index] * ohm)) / (2 * ohm)
            end = start - used
            price = changes.fixed[a, c] + points.fuel[index] * points.dt[k] + bound.intercept_g[k + 1, c]
            price += -slope[k + 1] * (end - problem.target_J) - now
            inside = (end >= problem.window_J[0]) & (end <= problem.window_J[1])
            inside &= problem.window_J[0] <= start <= problem.window_J[1]
            assert price[inside].min(initial=0.0) >= LEAST_G               # the rule W_k <= cost + W_k+1, at every point
            if entries.total_g[k, c] < 1e11:
                assert entries.total_g[k, c] == pytest.approx(price[list(index).index(entries.pick[k, c])], abs=1e-8)
                assert entries.total_g[k, c] >= price[inside].min(initial=np.inf) - 1e-8
        a = int(driven.node[k])


def test_the_optimums_own_prices_are_its_slack(pieces):
    """The optimum's trip, priced by the certificate that was found with it: nothing but what the proof leaves open."""
    found = pieces.optimum("three-clutch", "udds", 160, 240)
    columns = found.trace.columns
    energy = 1e3 * np.append(columns["battery_energy_start_kJ"], columns["battery_energy_end_kJ"][-1])
    own, _ = prices(found.problem, found.bound, found.trace.node, np.asarray(columns["fuel_g_s"]) * found.trace.demand.dt_s, energy)
    assert own.min() >= LEAST_G
    assert own.sum() == pytest.approx(found.objective_g - found.bound.bound_g - found.bound.costate_g_J[-1] * found.surplus_J, abs=1e-7)
