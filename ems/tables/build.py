"""Frontier tables: for every distinct demand and every node, the choices that nothing beats in fuel and battery power."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ems.kernels.frontier import Demands, Frontiers, Grid, build_frontiers
from ems.plant.plant import Plant
from ems.trips.demand import Demand
from ems.types import Array, IntArray

DEFAULT_GRID = Grid(free_points=12, torque_points=14, brake_points=6, inner_points=7, inner_steps=12, slope_steps=10, capacity=40)
FIRST_SLOPES = (1.8, 2.3, 2.6, 3.2)     # fuel per electrochemical energy at which supports are first sought


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Frontiers of a plant on a trip; K intervals, U distinct demands, N nodes, Q points in all.

    plant, demand : what they were made for          grid : how finely
    demand_of : (K,) distinct demand of each interval
    first, count : (U, N) where the points of a demand and node stand, and how many; zero points: not possible
    fuel_g_s, power_W : (Q,) fuel rate and battery terminal power
    choice : (Q, 3 + I) free engine speed [rad/s], wheel torque of the powertrain, engine torque, inner torques [N m]
    slopes_g_J : fuel per electrochemical energy at which supporting points were sought
    """

    plant: Plant
    demand: Demand
    grid: Grid
    demands: Demands
    demand_of: IntArray
    first: IntArray
    count: IntArray
    fuel_g_s: Array
    power_W: Array
    choice: Array
    slopes_g_J: Array


def refined(grid: Grid, times: int) -> Grid:
    """A grid with ``times`` as many points on every axis and room for as many more points."""
    return grid._replace(free_points=times * grid.free_points, torque_points=times * grid.torque_points,
                         brake_points=times * grid.brake_points, inner_points=times * grid.inner_points,
                         inner_steps=grid.inner_steps + 4, slope_steps=grid.slope_steps + 4, capacity=times * grid.capacity)


def build_tables(plant: Plant, demand: Demand, grid: Grid = DEFAULT_GRID, slopes_g_J: Array | None = None) -> Tables:
    """Frontiers of every distinct demand in every node.

    slopes_g_J : where supporting points are sought; a spread of usual values when None
    """
    slopes = np.asarray(FIRST_SLOPES) / plant.heating_value_J_g if slopes_g_J is None else np.asarray(slopes_g_J, float)
    demands, demand_of = distinct_demands(plant, demand)
    rows = np.argwhere(_conceivable(plant, demands))
    out = Frontiers(np.empty((len(rows), grid.capacity)), np.empty((len(rows), grid.capacity)),
                    np.empty((len(rows), grid.capacity, plant.arrays.torque_map.shape[2])), np.zeros(len(rows), np.int64))
    build_frontiers(plant.arrays, demands, rows[:, 0].copy(), rows[:, 1].copy(), slopes, plant.nominal_x, grid, out)
    return _packed(plant, demand, grid, demands, demand_of, rows, out, slopes)


def distinct_demands(plant: Plant, demand: Demand) -> tuple[Demands, IntArray]:
    """Demands at the wheels without repeats, and which of them each interval has."""
    radius = plant.layout.vehicle.wheel_radius_m
    stacked = np.column_stack([demand.speed_m_s / radius, demand.acceleration_m_s2 / radius, demand.force_N * radius,
                               demand.auxiliary_W])
    unique, inverse = np.unique(stacked, axis=0, return_inverse=True)
    columns = [np.ascontiguousarray(unique[:, i]) for i in range(4)]
    return Demands(*columns), inverse.reshape(-1).astype(np.int64)


def _conceivable(plant: Plant, demands: Demands) -> np.ndarray[tuple[int, int], np.dtype[np.bool_]]:
    """(U, N) pairs that speed ranges and the need for drive do not rule out at once."""
    kmh = demands.wheel_speed * plant.layout.vehicle.wheel_radius_m * 3.6
    possible = np.empty((kmh.size, len(plant.nodes)), bool)
    for n in range(len(plant.nodes)):
        c = plant.configuration(n)
        low, high = c.speed_range_kmh
        possible[:, n] = (kmh >= low * (1 - 1e-9) - 1e-9) & (kmh <= high * (1 + 1e-9))
        if not c.wheel_driven:
            possible[:, n] &= demands.wheel_torque <= 0.0
    return possible


def _packed(plant: Plant, demand: Demand, grid: Grid, demands: Demands, demand_of: IntArray, rows: IntArray, out: Frontiers,
            slopes: Array) -> Tables:
    """Padded rows as one run of points."""
    first = np.zeros((demands.wheel_speed.size, len(plant.nodes)), np.int64)
    count = np.zeros_like(first)
    starts = np.concatenate([[0], np.cumsum(out.count)[:-1]]) if len(rows) else np.zeros(0, np.int64)
    first[rows[:, 0], rows[:, 1]], count[rows[:, 0], rows[:, 1]] = starts, out.count
    used = np.arange(grid.capacity)[None, :] < out.count[:, None]
    return Tables(plant, demand, grid, demands, demand_of, first, count, out.fuel[used], out.power[used], out.choice[used], slopes)
