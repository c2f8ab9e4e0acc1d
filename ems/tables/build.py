"""Frontier tables: for every distinct demand and node, the choices that nothing beats in fuel and battery power."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ems.configurations import EngineState
from ems.kernels.frontier import Demands, Grid
from ems.plant.plant import Plant
from ems.plant.torque_maps import limited_axles
from ems.tables.rows import Rows, search, unpadded
from ems.tables.sides import apart, side_rows
from ems.trips.demand import Demand
from ems.types import Array, BoolArray, IntArray

DEFAULT_GRID = Grid(free_points=12, torque_points=12, brake_points=6, inner_points=4, inner_steps=6, slope_steps=8, capacity=40)
FIRST_SLOPES = (1.8, 2.3, 2.6, 3.2)     # fuel per electrochemical energy at which supports are first sought


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Frontiers of a plant on a trip; K intervals, U distinct demands, N nodes, Q points in all.

    plant, demand : what they were made for          grid : how finely
    demand_of : (K,) distinct demand of each interval
    first, count : (U, N) where the points of a demand and node stand, and how many; zero points: not possible
    fuel_g_s, power_W : (Q,) fuel rate and battery terminal power
    choice : (Q, 3 + I) free engine speed [rad/s], wheel torque of the powertrain, engine torque, inner torques [N m]
    slopes_g_J : (L,) or (U, L) fuel per electrochemical energy at which supporting points were sought
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
                         inner_steps=grid.inner_steps + 4, slope_steps=grid.slope_steps + 4,
                         capacity=times * grid.capacity)


def coarse(grid: Grid) -> Grid:
    """A quicker grid for the first look, before it is known where an optimum can pass."""
    return grid._replace(free_points=max(2, 2 * grid.free_points // 3), torque_points=max(2, 2 * grid.torque_points // 3), slope_steps=4)


def build_tables(plant: Plant, demand: Demand, grid: Grid = DEFAULT_GRID, slopes_g_J: Array | None = None) -> Tables:
    """Frontiers of every distinct demand in every node.

    slopes_g_J : where supporting points are sought; a spread of usual values when None
    """
    slopes = np.asarray(FIRST_SLOPES) / plant.heating_value_J_g if slopes_g_J is None else np.asarray(slopes_g_J, float)
    demands, demand_of = distinct_demands(plant, demand)
    wanted = conceivable(plant, demands)
    shape = wanted.shape
    empty = Tables(plant, demand, grid, demands, demand_of, np.zeros(shape, np.int64), np.zeros(shape, np.int64), np.zeros(0),
                   np.zeros(0), np.zeros((0, 3 + plant.arrays.inner_source.shape[1])), slopes)
    return added(empty, wanted, grid, slopes)


def added(tables: Tables, wanted: BoolArray, grid: Grid, slopes_g_J: Array) -> Tables:
    """The tables with the points of another search beside their own, for the demands and nodes wanted.

    wanted : (U, N)      slopes_g_J : (L,) for all demands, or (U, L) by demand, NaN where there are fewer
    Only points are added, so no optimum can rise.
    """
    plant = tables.plant
    slopes = np.asarray(slopes_g_J, float)
    of_demand = np.array(np.broadcast_to(slopes, (wanted.shape[0], slopes.shape[-1])), order="C")
    on_sides = wanted & apart(plant)[None, :]
    rows, row_of = Rows(np.zeros(0, np.int64), np.zeros(0), np.zeros(0), np.zeros((0, tables.choice.shape[1]))), np.full(wanted.shape, -1)
    for searched, here in _by_speed(plant, tables.demands):
        for part, searching in ((wanted & ~on_sides & here, whole_rows), (on_sides & here, side_rows)):
            if part.any():
                more, of_more = searching(searched, tables.demands, part, grid, of_demand)
                row_of = np.where(of_more >= 0, of_more + rows.counts.size, row_of)
                rows = Rows(*(np.concatenate(pair) for pair in zip(rows, more, strict=True)))
    return _joined(tables, rows, row_of, grid, slopes) if rows.counts.size else tables


def _by_speed(plant: Plant, demands: Demands) -> list[tuple[Plant, BoolArray]]:
    """Plants to search with and (U, 1) the demands for each: where there is a ceiling of engine speed, one for low speeds."""
    if plant.ceiling is None:
        return [(plant, np.ones((demands.wheel_speed.size, 1), bool))]
    slow = demands.wheel_speed[:, None] * plant.layout.vehicle.wheel_radius_m < plant.ceiling.below_m_s
    return [(plant, ~slow), (plant.under_ceiling(), slow)]


def whole_rows(plant: Plant, demands: Demands, wanted: BoolArray, grid: Grid, slopes_g_J: Array) -> tuple[Rows, IntArray]:
    """Frontiers of the wanted demands and nodes, searched as a whole, and (U, N) the row of each (-1: not wanted).

    An idling engine changes only the fuel: its node takes over the frontiers of its twin with the engine stopped.
    """
    searched = np.zeros_like(wanted)
    twin = twins(plant)
    pair_demand, pair_node = np.nonzero(wanted)
    searched[pair_demand, twin[pair_node]] = True
    demand, node = np.nonzero(searched)
    own = np.full(wanted.shape, -1)
    own[demand, node] = np.arange(demand.size)
    row_of = np.full(wanted.shape, -1)
    row_of[pair_demand, pair_node] = own[pair_demand, twin[pair_node]]
    return unpadded(search(plant, plant.arrays, demands, demand, node, slopes_g_J, grid, grid.capacity)), row_of


def twins(plant: Plant) -> IntArray:
    """(N,) for a node with an idling engine the node that is the same with the engine stopped; itself for all others."""
    twin = np.arange(len(plant.nodes))
    for n in range(len(plant.nodes)):
        c = plant.configuration(n)
        if c.idling:
            for m in range(len(plant.nodes)):
                other = plant.configuration(m)
                if other.engine is EngineState.STOPPED and other.speed_map[1:] == c.speed_map[1:] and (
                        other.balances == c.balances and other.electric_W == c.electric_W
                        and other.drags == c.drags and other.load_limits == c.load_limits
                        and np.array_equal(plant.arrays.reserve[m], plant.arrays.reserve[n])):
                    twin[n] = m
    return twin


def _joined(tables: Tables, rows: Rows, row_of: IntArray, grid: Grid, slopes: Array) -> Tables:
    """Old and new points of every pair in one run; an idling engine's own fuel on top of what its twin needs."""
    plant = tables.plant
    starts = np.concatenate([[0], np.cumsum(rows.counts)])
    new = np.where(row_of >= 0, rows.counts[row_of], 0)
    count = tables.count + new
    first = (np.cumsum(count) - count.reshape(-1)).reshape(count.shape) if count.size else count
    index = np.repeat(tables.first.reshape(-1), tables.count.reshape(-1)) + _within(tables.count)
    place = np.repeat(first.reshape(-1), tables.count.reshape(-1)) + _within(tables.count)
    new_index = np.repeat(starts[row_of].reshape(-1), new.reshape(-1)) + _within(new)
    new_place = np.repeat((first + tables.count).reshape(-1), new.reshape(-1)) + _within(new)
    twin = twins(plant)
    node = np.repeat(np.broadcast_to(np.arange(twin.size), new.shape).reshape(-1), new.reshape(-1))
    idling = np.array([plant.configuration(n).idling for n in range(twin.size)]) & (twin != np.arange(twin.size))
    idle_g_s = float(np.interp(plant.arrays.engine_idle, plant.arrays.engine_speed, plant.arrays.engine_fuel[:, 0]))
    total = int(count.sum())
    all_fuel, all_power, all_choice = np.empty(total), np.empty(total), np.empty((total, tables.choice.shape[1]))
    all_fuel[place], all_power[place], all_choice[place] = tables.fuel_g_s[index], tables.power_W[index], tables.choice[index]
    all_fuel[new_place] = rows.fuel[new_index] + np.where(idling[node], idle_g_s, 0.0)
    all_power[new_place], all_choice[new_place] = rows.power[new_index], rows.choice[new_index]
    all_choice[new_place, 0] = np.where(idling[node], plant.arrays.engine_idle, all_choice[new_place, 0])
    return replace(tables, grid=grid, first=first, count=count, fuel_g_s=all_fuel, power_W=all_power, choice=all_choice,
                   slopes_g_J=slopes)


def _within(count: IntArray) -> IntArray:
    """0, 1, .. inside each run of the given lengths, runs one after the other."""
    flat = count.reshape(-1)
    total = int(flat.sum())
    return np.arange(total) - np.repeat(np.cumsum(flat) - flat, flat)


def distinct_demands(plant: Plant, demand: Demand) -> tuple[Demands, IntArray]:
    """Demands at the wheels without repeats, and which of them each interval has."""
    radius = plant.layout.vehicle.wheel_radius_m
    stacked = np.column_stack([demand.speed_m_s / radius, demand.acceleration_m_s2 / radius, demand.force_N * radius,
                               demand.auxiliary_W])
    unique, inverse = np.unique(stacked, axis=0, return_inverse=True)
    speed, acceleration, torque, auxiliary = (np.ascontiguousarray(unique[:, i]) for i in range(4))
    return Demands(speed, acceleration, torque, auxiliary, axle_least_Nm(plant, speed, torque)), inverse.reshape(-1).astype(np.int64)


LEAST_AXLE_TORQUE_G = 0.005     # deceleration that the drags of a driveline may always give, share of gravity; usual, no source


def axle_least_Nm(plant: Plant, wheel_speed_rad_s: Array, wheel_torque_Nm: Array) -> Array:
    """(U, A) least torque that each axle with a limit may take: its share of the braking torque, its deceleration, and the
    fade-out near standstill, see the vehicle."""
    vehicle, radius = plant.layout.vehicle, plant.layout.vehicle.wheel_radius_m
    out = np.zeros((wheel_speed_rad_s.size, plant.arrays.axle_joint.size))
    shares = np.array([vehicle.recoverable_share(v) for v in wheel_speed_rad_s * radius])
    for a, joint in enumerate(limited_axles(plant.layout)):
        own = vehicle.axle(joint.removeprefix("axle "))
        most = np.full(wheel_speed_rad_s.size, vehicle.mass_kg * own.regeneration_m_s2 * radius)
        braking = wheel_torque_Nm < 0.0
        most[braking] = np.minimum(most[braking], -own.regeneration_share * wheel_torque_Nm[braking])
        with np.errstate(invalid="ignore"):
            faded = np.where(shares > 0.0, most * shares, 0.0)
        out[:, a] = -np.maximum(faded, LEAST_AXLE_TORQUE_G * vehicle.mass_kg * 9.80665 * radius)
    return out


def conceivable(plant: Plant, demands: Demands) -> BoolArray:
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
