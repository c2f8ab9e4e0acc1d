"""Short pieces of shipped cycles, their tabulated problems, and optima of whole cycles found once for all tests."""

from __future__ import annotations

import functools
from dataclasses import fields, replace
from types import SimpleNamespace

import numpy as np
import pytest

from ems.components.battery import Battery
from ems.layout.load import load_layout
from ems.plant.plant import LANES, battery_arrays, build_plant
from ems.solve.optimum import optimum
from ems.solve.problem import build_problem
from ems.tables.build import DEFAULT_GRID, build_tables
from ems.trips.cycle import load_cycle
from ems.trips.demand import demand as demand_of_cycle

SMALL = DEFAULT_GRID._replace(free_points=4, torque_points=5, brake_points=4, inner_points=3, slope_steps=4, capacity=10)


def constant_battery(voltage_V: float = 300.0, resistance_ohm: float = 0.03, capacity_As: float = 1e6) -> Battery:
    """Constant voltage and resistance, and a window that never binds."""
    two = np.ones(2)
    return Battery("constant", "constant voltage", np.array([0.0, 1.0]), voltage_V * two, resistance_ohm * two, resistance_ohm * two,
                   capacity_As, 0.0, 1.0, 0.5, 1e6, 1e6, 1e4, 1e4, "made for a test", True, ())


class Pieces:
    """Plants, demands, problems and optima on pieces of shipped cycles, each made once."""

    small_grid = SMALL
    constant_battery = staticmethod(constant_battery)

    def __init__(self, lanes=LANES):
        self.lanes = lanes

    @functools.cache     # noqa: B019 - one object a session
    def plant(self, layout, overrides=()):
        return build_plant(load_layout(layout, overrides=overrides), lanes=self.lanes)

    @staticmethod
    def cycle(name, start, end):
        """Seconds ``start`` to ``end`` of a cycle."""
        whole = load_cycle(name)
        return replace(whole, name=f"{name}-piece", time_s=whole.time_s[start:end + 1] - whole.time_s[start],
                       speed_m_s=whole.speed_m_s[start:end + 1], grade=whole.grade[start:end + 1],
                       auxiliary_W=whole.auxiliary_W[start:end], phases=())

    @functools.cache     # noqa: B019
    def demand(self, layout, name, start, end):
        whole = demand_of_cycle(load_cycle(name), self.plant(layout).layout.vehicle)
        values = {f.name: getattr(whole, f.name) for f in fields(whole)}
        return type(whole)(**{n: v[start:end + (n == "boundary_speed_m_s")] for n, v in values.items()})

    @functools.cache     # noqa: B019
    def tables(self, layout, name, start, end, grid=SMALL, overrides=()):
        return build_tables(self.plant(layout, overrides), self.demand(layout, name, start, end), grid)

    def problem(self, layout, name, start, end, *, grid=SMALL, battery=None, overrides=(), gain_J=0.0):
        """Tabulated problem of a piece from the target charge to ``gain_J`` above it; its battery replaced where one is given."""
        tables = self.tables(layout, name, start, end, grid, overrides)
        if battery is not None:
            plant = replace(tables.plant, battery=battery_arrays(battery), layout=replace(tables.plant.layout, battery=battery))
            tables = replace(tables, plant=plant)
        own = tables.plant.layout.battery
        energy = float(own.energy_J(own.soc_target))
        return build_problem(tables, energy, energy + gain_J)

    @functools.cache     # noqa: B019
    def optimum(self, layout, name, start=None, end=None, overrides=(), charge=None, grid=DEFAULT_GRID):
        """Optimum of a piece, or of a whole cycle."""
        cycle = load_cycle(name) if start is None else self.cycle(name, start, end)
        return optimum(load_layout(layout, overrides=overrides), cycle, charge=charge, grid=grid, lanes=self.lanes)


@pytest.fixture(scope="session")
def pieces() -> Pieces:
    return Pieces()


@pytest.fixture(scope="session")
def bare_problem():
    """Problem of one configuration from plain arrays: fuel and electrochemical power (K, J) of steps of one second."""
    from ems.kernels.changes import Changes
    from ems.kernels.sweep import Points
    from ems.solve.problem import Problem

    def make(fuel_g_s, internal_W, window_J=None):
        battery = constant_battery()
        if window_J is not None:
            battery = replace(battery, capacity_As=window_J / 300.0)
        x = battery.resistance_discharge_ohm[0] / battery.voltage_V[0] ** 2
        K, J = fuel_g_s.shape
        points = Points(np.arange(0, K * J, J).reshape(K, 1), np.full((K, 1), J), fuel_g_s.ravel(),
                        (internal_W - x * internal_W**2).ravel(), np.ones(K), np.ones(K))
        plant = SimpleNamespace(battery=battery_arrays(battery), layout=SimpleNamespace(battery=battery),
                                nodes=(SimpleNamespace(configuration=0),))
        tables = SimpleNamespace(plant=plant, demand=SimpleNamespace(time_s=np.arange(K)))
        half = float(battery.energy_J(0.5))
        changes = Changes(np.zeros((2, 1)), np.zeros((K, 2, 1)), np.ones((K, 2, 1), bool), np.arange(2), np.ones((2, 1), bool))
        return Problem(tables, points, changes, np.ones((K, 1), bool), half, half)

    return make


def trip_at_random(problem, random, overshoot=0.0, price_g_J=6e-5):
    """(node, point, energy) of a trip that picks node and point at random each second, or None where it runs into a wall.

    The battery is reckoned here in numpy, apart from the kernels. overshoot : share of the window by which it may be left
    price_g_J : what stored energy is worth where a point is not picked at random
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
            good &= power <= np.interp(soc, battery.soc, battery.discharge_power_W)
            good &= -power <= np.interp(soc, battery.soc, battery.charge_power_W)
            good &= (internal / v <= battery.discharge_limit_A) & (-internal / v <= battery.charge_limit_A)
            if good.any():
                index, end = index[good], end[good]
                worth = points.fuel[index] - price_g_J * end
                pick = int(np.argmin(worth)) if random.random() < thrift else int(random.integers(index.size))
                node[k], point[k], energy[k + 1], a = c, index[pick], end[pick], c
                break
        else:
            return None
    return node, point, energy


@pytest.fixture(scope="session")
def random_trip():
    """``random_trip(problem, random)``: see ``trip_at_random``."""
    return trip_at_random
