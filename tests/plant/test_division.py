"""The best division of a torque between machines, against a linear programme (HiGHS) and against a dense scan."""

from __future__ import annotations

import itertools
import tomllib
from decimal import Decimal

import numpy as np
import pytest
from scipy.optimize import linprog

import ems
from ems.kernels.box import best_division
from ems.kernels.plant import make_bench, make_cut, terminal_power
from ems.layout.load import layout_from
from ems.plant.plant import Plant, build_plant
from ems.tables.build import DEFAULT_GRID, distinct_demands
from ems.trips.demand import demand

RATIOS, ETA = (9.0, 6.0, 9.8), 0.98

THREE = """
name = "three machines on one axle"
vehicle = "hill-taxi"
battery = "hybrid-1k5"
engine = { shaft = "crank", map = "dedicated-1500" }
axles.front.shaft = "diff"
[machines]
mg1 = { shaft = "rotor-1", map = "machine-75" }
mg2 = { shaft = "rotor-2", map = "machine-120" }
mg3 = { shaft = "rotor-3", map = "machine-75", rating_kW = 40 }
[gears]
one = { from = "rotor-1", to = "diff", ratio = 9, efficiency = 0.98 }
two = { from = "rotor-2", to = "diff", ratio = 6, efficiency = 0.98 }
three = { from = "rotor-3", to = "diff", ratio = 9.8, efficiency = 0.98 }
engine = { from = "crank", to = "lay", ratio = 3, efficiency = 0.98 }
[clutches]
K1 = { joins = ["lay", "diff"] }
"""


def divided(plant: Plant, cut, wheel_Nm: float, engine_Nm: float, grid=DEFAULT_GRID) -> float:
    """Least terminal power as the tables find it [W]; it is that of the torques left in the cut."""
    P = best_division(cut, wheel_Nm, engine_Nm, grid.inner_points, grid.inner_steps, False)
    assert terminal_power(cut)[0] == P
    return float(P)


def least_of_linear_programme(plant: Plant, wheel_rad_s: float, wheel_Nm: float, base_W: float) -> float:
    """The same for machines side by side: torque each way, and a loss above every chord of its map [W]."""
    machines = [m.machine for m in plant.layout.machines]
    n = len(machines)
    cost = np.concatenate([[r * wheel_rad_s for r in RATIOS], [-r * wheel_rad_s for r in RATIOS], np.ones(n)])
    rows, right, bounds = [], [], []
    for m, (machine, ratio) in enumerate(zip(machines, RATIOS, strict=True)):
        loss = [np.interp(ratio * wheel_rad_s, machine.speed_rad_s, along) for along in machine.loss_W.T]
        for (T, a), (U, b) in itertools.pairwise(zip(machine.torque_Nm, loss, strict=True)):
            slope, row = (b - a) / (U - T), np.zeros(3 * n)
            row[[m, n + m, 2 * n + m]] = slope, -slope, -1.0
            rows.append(row)
            right.append(slope * T - a)
        peak = np.interp(ratio * wheel_rad_s, machine.limit_speed_rad_s, machine.peak_Nm)
        bounds.append((0.0, peak))
    wheel = np.concatenate([[r * ETA for r in RATIOS], [-r / ETA for r in RATIOS], np.zeros(n)])
    found = linprog(cost, A_ub=np.array(rows), b_ub=right, A_eq=[wheel], b_eq=[wheel_Nm], bounds=[*bounds, *bounds, *[(None, None)] * n],
                    method="highs")
    assert found.success
    return float(found.fun) + base_W


@pytest.mark.parametrize("wheel_rad_s", [12.0, 45.0, 85.0])
def test_three_machines_share_as_the_linear_programme_says(wheel_rad_s):
    """Three machines through a mesh each; HiGHS on the pieces of the same maps, which are convex in torque."""
    plant = build_plant(layout_from(tomllib.loads(THREE, parse_float=Decimal), name="three", where="three.toml"), lanes=1)
    t = next(t for t in range(len(plant.nodes)) if plant.configuration(t).id == "off:open")
    bench, free = make_bench(plant.arrays), np.full(plant.arrays.axle_joint.size, -np.inf)
    for wheel_Nm in (-900.0, -300.0, -80.0, 15.0, 60.0, 150.0, 400.0, 1100.0):
        cut = make_cut(plant.arrays, bench, t, wheel_rad_s, 0.0, 0.0, 350.0, free)
        if not -40e3 < wheel_Nm * wheel_rad_s < 50e3:
            continue
        least = least_of_linear_programme(plant, wheel_rad_s, wheel_Nm, cut.base_W)
        assert least - 1e-6 <= divided(plant, cut, wheel_Nm, 0.0) <= least + 0.5


def scanned(cut, points: int = 25, zooms: int = 4) -> float:
    """Least terminal power over a grid of both inner torques, and over ever smaller grids around the best [W]."""
    middle, half = np.zeros(2), cut.limit[cut.inner_source].copy()
    least = np.inf
    for _ in range(zooms):
        axis = np.linspace(-1.0, 1.0, points)
        best = middle
        for share in itertools.product(axis, axis):
            cut.x[2:4] = middle + half * share
            P, _ = terminal_power(cut)
            if least > P:
                least, best = P, cut.x[2:4].copy()
        middle, half = best, half * 6.0 / points
    return float(least)


@pytest.mark.parametrize(("word", "engine_Nm"), [("off:K2+K3+K4", 0.0), ("off:K2+K4+S1=third", 0.0), ("off:K3+K4+S1=first", 0.0),
                                                 ("on:K1+K2+K4+S1=third", 40.0), ("on:K1+K2+K3+K4", 30.0)])
def test_two_inner_torques_against_a_dense_scan(word, engine_Nm):
    """Machines through shared gears and through the road, each axle with its limit while braking: nothing on a dense grid is better by
    more than half a watt, and nothing that the grid finds is missed."""
    layout = ems.load_layout("three-clutch-rear")
    plant = build_plant(layout)
    demands, _ = distinct_demands(plant, demand(ems.load_cycle("udds"), layout.vehicle))
    t = next(t for t in range(len(plant.nodes)) if plant.configuration(t).id == word)
    assert plant.arrays.inner_count[t] == 2
    bench, compared = make_bench(plant.arrays), 0
    fast = np.flatnonzero((demands.wheel_speed > 30.0) & (demands.wheel_speed < 60.0))
    for u in fast[:: fast.size // 6]:
        cut = make_cut(plant.arrays, bench, t, demands.wheel_speed[u], 0.0, demands.wheel_acceleration[u], demands.auxiliary[u],
                       demands.axle_least[u])
        wheel_Nm = demands.wheel_torque[u]
        if cut.code != 0:
            continue
        found = divided(plant, cut, wheel_Nm, engine_Nm)
        least = scanned(cut, 25, 4)
        if least > -0.99 * cut.takes_W:
            assert found <= least + 0.5
            compared += np.isfinite(least)
    assert compared >= 3
