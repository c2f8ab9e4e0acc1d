"""How fine the tables are: quadrupled tables from nothing, and two equal machines."""

from __future__ import annotations

import tomllib
from decimal import Decimal

import numpy as np
import pytest

import ems
from ems.layout.load import layout_from
from ems.plant.plant import build_plant
from ems.solve import finer as finer_tables
from ems.solve import steps
from ems.solve.certificate import best_bound, bound_at
from ems.solve.problem import build_problem, with_tables
from ems.tables.build import DEFAULT_GRID, added, build_tables, refined
from ems.trips.demand import Demand

TWO_EQUAL = """
name = "two equal machines"
vehicle = "hill-taxi"
battery = "hybrid-1k5"
engine = { shaft = "crank", map = "dedicated-1500" }
axles.front.shaft = "diff"
[machines]
mg1 = { shaft = "rotor-1", map = "machine-75" }
mg2 = { shaft = "rotor-2", map = "machine-75" }
[gears]
one = { from = "rotor-1", to = "diff", ratio = 9, efficiency = 0.98 }
two = { from = "rotor-2", to = "diff", ratio = 9, efficiency = 0.98 }
engine = { from = "crank", to = "lay", ratio = 3, efficiency = 0.98 }
[clutches]
K1 = { joins = ["lay", "diff"] }
"""


@pytest.mark.parametrize("layout", ["series", "input-split"])
def test_quadrupled_tables_move_the_bound_as_told(pieces, layout):
    """Tables of four times the points on every axis, made from nothing, against what the run says of its tables (at most
    0.05 %, and the printed error true to it). The slopes of the certificate are the run's own."""
    found = pieces.optimum(layout, "udds", 160, 310)
    own, bound = found.problem, found.bound
    tables = build_tables(own.plant, own.tables.demand, refined(DEFAULT_GRID, 4), own.tables.slopes_g_J)
    fine = build_problem(tables, own.start_J, own.target_J)
    shape = bound.shape
    again = best_bound(fine, shape, bound.segments, bound.values_g_J).bound_g
    moved = 100 * (bound.bound_g - again) / found.objective_g
    assert moved <= 0.05
    assert moved <= 3 * found.table_error_percent + 0.01
    assert moved >= -0.01


@pytest.mark.parametrize("missed", ["half of the nodes", "all nodes"])
def test_what_the_first_search_of_finer_tables_missed_is_searched_afterwards(pieces, monkeypatch, missed):
    """Nodes that the search beside the dynamic programming left out are searched when the gap turns out wider: the bound is then that
    of one search of them all, and below that of the tables as they are. (Points are only added, so the order of searches is nothing.)"""
    found = pieces.optimum("series", "udds", 160, 250, grid=pieces.small_grid)
    problem, bound = found.problem, found.bound
    monkeypatch.setattr(finer_tables, "beside", lambda work: work)         # begins when it is asked for
    grid = problem.tables.grid
    finer, trip_g = finer_tables.Finer(problem, bound, grid), 1.001 * bound.bound_g
    wide = steps.near(problem, bound, trip_g - bound.bound_g)
    assert (wide >= finer.reached).all() and wide.sum() > finer.reached.sum()
    finer.reached = wide & (np.arange(wide.shape[1]) % 2 == 0)[None, :] if missed == "half of the nodes" else np.zeros_like(wide)
    slopes = steps.slopes_around(bound, problem.tables.demand_of, problem.fuel_factor, 0.0)
    tables = added(problem.tables, wide, refined(grid, 2), slopes)
    at_once = bound_at(with_tables(problem, tables), bound.shape, bound.segments, bound.values_g_J).bound_g
    assert at_once < bound.bound_g - 1e-6
    assert finer.bound(bound, trip_g)[1].bound_g == pytest.approx(at_once, rel=1e-9)


def test_tables_are_made_finer_until_they_miss_little(pieces, monkeypatch):
    """From a coarse grid the tables are refined until no more than the aim is missed, and the fuel falls by what was told (derived)."""
    found = pieces.optimum("series", "udds", 160, 250, (), None, grid=pieces.small_grid)
    monkeypatch.setattr(finer_tables, "MOST_REFINED", 0)
    left = ems.optimum(found.layout, found.cycle, grid=pieces.small_grid)
    assert left.tables.grid == pieces.small_grid and found.tables.grid != pieces.small_grid
    assert found.table_error_percent <= 100 * steps.USUAL.tables < left.table_error_percent
    assert found.bound.bound_g < left.bound.bound_g and found.objective_g <= left.objective_g


def demand_at(speed_m_s, force_N):
    """One second for each force, at a speed held."""
    n = len(force_N)
    zero, speed = np.zeros(n), np.full(n, speed_m_s)
    return Demand(np.arange(n, dtype=float), np.ones(n), speed, zero, np.full(n + 1, speed_m_s), zero, zero,
                  np.asarray(force_N, float), zero, zero, zero)


@pytest.mark.parametrize("force_N", [400.0, 1500.0, 3000.0, -800.0, -2000.0])
def test_two_equal_machines_share_equally(force_N):
    """Equal machines on equal ratios, losses convex in torque: an equal division is an optimum (derived; Jensen's inequality). The
    table's best point costs what the equal division costs, worked out by hand from ratio, mesh efficiency and machine map."""
    plant = build_plant(layout_from(tomllib.loads(TWO_EQUAL, parse_float=Decimal), name="two", where="two.toml"))
    tables = build_tables(plant, demand_at(15.0, [force_N]), DEFAULT_GRID)
    both = [n for n in range(len(plant.nodes)) if plant.transitions.engine_mode[n] == 0 and plant.configuration(n).wheel_driven]
    assert both
    best = min(tables.power_W[tables.first[0, n]:tables.first[0, n] + tables.count[0, n]].min() for n in both)
    vehicle, machine = plant.layout.vehicle, plant.layout.machines[0].machine
    speed = 9 * 15.0 / vehicle.wheel_radius_m
    taken = vehicle.axle("front").regeneration_share if force_N < 0 else 1.0
    torque = taken * force_N * vehicle.wheel_radius_m / 9 / 2
    torque = torque / 0.98 if force_N > 0 else torque * 0.98
    along = [np.interp(torque, machine.torque_Nm, row) for row in machine.loss_W]
    equal = 2 * (torque * speed + np.interp(speed, machine.speed_rad_s, along))
    assert best == pytest.approx(equal, rel=2e-4)
