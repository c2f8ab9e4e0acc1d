"""Short pieces of shipped cycles and their optima found once for all tests of this folder; and trips that nobody would drive."""

from __future__ import annotations

import functools
import importlib.util
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from ems.layout.load import load_layout
from ems.solve.optimum import optimum
from ems.tables.build import DEFAULT_GRID
from ems.trips.cycle import load_cycle

_spec = importlib.util.spec_from_file_location("pieces_of_solve", Path(__file__).parents[1] / "solve" / "conftest.py")
assert _spec is not None and _spec.loader is not None
_shared = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_shared)
pieces, bare_problem = _shared.pieces, _shared.bare_problem


def random_trip(problem, random, overshoot=0.0):
    """(node, point, energy) of a trip that picks node and point at random each second, or None where it runs into a wall.

    The battery is reckoned here in numpy, apart from the kernels. overshoot : share of the window by which it may be left
    """
    battery, points, changes = problem.plant.layout.battery, problem.points, problem.changes
    K, N = points.first.shape
    node, point, energy = np.empty(K, np.int64), np.empty(K, np.int64), np.full(K + 1, problem.start_J)
    stay, thrift, a = random.uniform(0.0, 0.95), random.uniform(0.0, 1.0), N
    low, high = problem.window_J
    low, high = low - overshoot * (high - low), high + overshoot * (high - low)
    for k in range(K):
        order = random.permutation(np.flatnonzero(points.count[k])).tolist()
        if a in order and random.random() < stay:
            order.insert(0, a)
        for c in order:
            start = energy[k] - changes.stored[k, a, c]
            soc = float(battery.soc_at(start))
            v = np.interp(soc, battery.soc, battery.voltage_V)
            index = np.arange(points.first[k, c], points.first[k, c] + points.count[k, c])
            power = points.power[index]
            ohm = np.where(power > 0, np.interp(soc, battery.soc, battery.resistance_discharge_ohm),
                           np.interp(soc, battery.soc, battery.resistance_charge_ohm))
            root = 1 - 4 * power * ohm / v**2
            internal = 2 * power / (1 + np.sqrt(np.maximum(root, 0.0)))
            end = start - points.dt[k] * internal
            good = (root >= 0) & (low <= start <= high) & (low <= end) & (end <= high)
            good &= (internal / v <= battery.discharge_limit_A) & (-internal / v <= battery.charge_limit_A)
            if good.any():
                index, end = index[good], end[good]
                worth = points.fuel[index] - 6e-5 * end
                pick = int(np.argmin(worth)) if random.random() < thrift else int(random.integers(index.size))
                node[k], point[k], energy[k + 1], a = c, index[pick], end[pick], c
                break
        else:
            return None
    return node, point, energy


def played(problem, node, point, energy):
    """The trace of a schedule of table points."""
    from ems.plant.trace import trace
    from ems.solve.problem import fixed_costs

    t = problem.tables
    return trace(problem.plant, t.demand, t.demands, t.demand_of, node, t.choice[point], energy, *fixed_costs(problem.plant))


@pytest.fixture(scope="session")
def trips() -> SimpleNamespace:
    return SimpleNamespace(random=random_trip, played=played)


SMALL = DEFAULT_GRID._replace(free_points=4, torque_points=5, brake_points=4, inner_points=3, slope_steps=4, capacity=10)


class Town:
    """A piece of the first hill of WLTC class 3b, and its optima with small tables."""

    grid = SMALL
    start_s, end_s = 5, 75

    @functools.cached_property
    def cycle(self):
        whole, a, b = load_cycle("wltc-3b"), self.start_s, self.end_s
        return replace(whole, name="town", time_s=whole.time_s[a:b + 1] - whole.time_s[a], speed_m_s=whole.speed_m_s[a:b + 1],
                       grade=whole.grade[a:b + 1], auxiliary_W=whole.auxiliary_W[a:b], phases=())

    @functools.cache     # noqa: B019 - one object a session
    def optimum(self, name, overrides=()):
        return optimum(load_layout(name, overrides=overrides), self.cycle, grid=SMALL)


@pytest.fixture(scope="session")
def town() -> Town:
    return Town()
