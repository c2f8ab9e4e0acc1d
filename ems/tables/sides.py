"""Frontiers where the engine's side and the wheels' side share nothing but the battery (series, charging at standstill).

There every choice of the engine's side goes with every choice of the wheels' side, and terminal powers add. Each side is searched
alone, the engine's once for a whole trip, and the frontier of both is put together: the search of one side instead of their product.
"""

from __future__ import annotations

import math

import numpy as np

from ems.kernels.frontier import Demands, Frontiers, Grid
from ems.kernels.plant import COUPLED, IDLING, SLACK, PlantArrays
from ems.plant.plant import Plant
from ems.tables.rows import Rows, search
from ems.types import Array, BoolArray, IntArray

ENGINE_POINTS = 4           # times the points on the axes of the engine's side, which is searched once only
ENGINE_SHARE = 0.6          # of the points that a frontier may keep: one lane's range is narrow
USUAL_SLOPES = (1.7, 3.3)    # fuel per electrochemical energy between which supports are sought where nothing is known yet
SLOPES_BELOW, SLOPES_ABOVE = 0.88, 1.2      # the wheels' power moves what a watt costs the battery by some such factors
SLOPES = 24                 # between them


def apart(plant: Plant) -> BoolArray:
    """(N,) nodes whose free engine speed and torque touch nothing that turns with the wheels, by speed, torque or rotating energy."""
    a = plant.arrays
    return np.array([a.engine_mode[t] == COUPLED and a.engine_free[t] and a.has_free[t] and a.kinetic_free[t] == 0.0
                     and _speeds_apart(a, t) and _torques_apart(a, t) for t in range(len(plant.nodes))], bool)


def _turned(a: PlantArrays, t: int) -> tuple[Array, Array]:
    """Speeds of sources and told joints of a table, and of its drags, by wheel and by free speed: (S + G, 2), (D, 2)."""
    joints = np.column_stack([np.append(a.source_wheel[t], a.mesh_wheel[t]), np.append(a.source_free[t], a.mesh_free[t])])
    return joints, a.drag[t, : a.drag_count[t], :2]


def _speeds_apart(a: PlantArrays, t: int) -> bool:
    limits = a.speed_limit[t, : a.speed_count[t], :2]
    return all(not np.any((part[:, 0] != 0.0) & (part[:, 1] != 0.0)) for part in (*_turned(a, t), limits))


def _torques_apart(a: PlantArrays, t: int) -> bool:
    """Whether no torque on one side depends on an input of the other, in any directions of power flow."""
    joints, drags = _turned(a, t)
    sources = a.source_wheel.shape[1]
    rows = joints[:, 1] != 0.0
    rows = np.concatenate([rows[:sources], [False], rows[sources:]])                     # the wheel torque stands between them
    columns = np.zeros(a.torque_map.shape[2], bool)
    columns[1] = True
    columns[2:][: a.inner_count[t]] = _inner_of_engine(a, t)
    columns[3 + a.inner_source.shape[1]:][: len(drags)] = drags[:, 1] != 0.0
    maps = a.torque_map[a.first_pattern[t]: a.first_pattern[t] + (1 << a.bits[t])]
    return not (maps[:, rows][:, :, ~columns].any() or maps[:, ~rows][:, :, columns].any())


def _inner_of_engine(a: PlantArrays, t: int) -> BoolArray:
    """(inner,) which inner torques are those of machines on the engine's side."""
    turned: BoolArray = a.source_free[t, a.inner_source[t, : a.inner_count[t]]] != 0.0
    return turned


def side_rows(plant: Plant, demands: Demands, wanted: BoolArray, grid: Grid, slopes_g_J: Array) -> tuple[Rows, IntArray]:
    """Frontiers of the wanted demands and nodes, all of them ``apart``, and (U, N) the row of each (-1: not wanted)."""
    nodes = np.flatnonzero(wanted.any(axis=0))
    still = Demands(*(np.append(axis, np.zeros((1, *axis.shape[1:])), axis=0) for axis in demands))
    nothing = wanted.shape[0]                                                           # the demand of a vehicle at rest
    free = plant.arrays._replace(battery_gives_W=np.inf, battery_takes_W=np.inf)
    engine = _engine_side(plant, free, still, nothing, nodes, grid, slopes_g_J)
    pair_demand, pair_node = np.nonzero(wanted)
    place = np.zeros(wanted.shape[1], np.int64)
    place[nodes] = np.arange(nodes.size)
    stands_for = _representatives(plant, nodes, engine.count)
    wheels, wheel_row, base_W = _wheel_side(plant, free, still, nothing, nodes, engine, stands_for, pair_demand, place[pair_node], grid)
    row_of = np.full(wanted.shape, -1)
    row_of[pair_demand, pair_node] = np.arange(pair_demand.size)
    return _together(plant, nodes, engine, wheels, place[pair_node], wheel_row, base_W[place[pair_node]]), row_of


def _engine_side(plant: Plant, free: PlantArrays, still: Demands, nothing: int, nodes: IntArray, grid: Grid,
                 slopes_g_J: Array) -> Frontiers:
    """Frontier of each node at rest, finely searched."""
    fine = grid._replace(free_points=ENGINE_POINTS * grid.free_points, torque_points=ENGINE_POINTS * grid.torque_points,
                         capacity=math.ceil(ENGINE_SHARE * grid.capacity))
    known = slopes_g_J[slopes_g_J >= 0.0] if slopes_g_J.size else np.array(USUAL_SLOPES) / plant.heating_value_J_g
    slopes = np.linspace(SLOPES_BELOW * known.min(), SLOPES_ABOVE * known.max(), SLOPES)
    return search(plant, free, still, np.full(nodes.size, nothing), nodes, np.tile(slopes, (nothing + 1, 1)), fine, fine.capacity)


def _representatives(plant: Plant, nodes: IntArray, count: IntArray) -> IntArray:
    """For each of the nodes the one, a lane of the same configuration that is possible, whose wheel side stands for its own."""
    first: dict[int, int] = {}
    for i, node in enumerate(nodes):
        if count[i] > 0:
            first.setdefault(plant.nodes[node].configuration, i)
    return np.array([first.get(plant.nodes[node].configuration, i) for i, node in enumerate(nodes)], np.int64)


def _wheel_side(plant: Plant, free: PlantArrays, still: Demands, nothing: int, nodes: IntArray, engine: Frontiers,
                stands_for: IntArray, pair_demand: IntArray, pair_place: IntArray, grid: Grid) -> tuple[Frontiers, IntArray, Array]:
    """Frontiers of the wheels' side with an engine without torque, the row of each pair, and each node's power at rest [W]."""
    last = np.maximum(engine.count - 1, 0)
    speed = np.zeros(len(plant.nodes))
    speed[nodes] = engine.choice[np.arange(nodes.size), last, 0]
    mode = free.engine_mode.copy()
    mode[nodes] = IDLING
    idle = free._replace(engine_mode=mode, has_free=np.zeros_like(free.has_free), free_low=speed, free_high=speed)
    demand, place = np.append(pair_demand, np.full(nodes.size, nothing)), stands_for[np.append(pair_place, np.arange(nodes.size))]
    keys, row = np.unique(demand * nodes.size + place, return_inverse=True)
    out = search(plant, idle, still, keys // nodes.size, nodes[keys % nodes.size], np.zeros((nothing + 1, 0)), grid, grid.brake_points + 2)
    row = row.reshape(-1)
    return out, row[: pair_demand.size], out.power[row[pair_demand.size:], 0]


def _choices_of_engine(plant: Plant, nodes: IntArray) -> BoolArray:
    """(nodes, 3 + I) which choices are made on the engine's side: its speed, its torque, torques of machines there."""
    out = np.zeros((nodes.size, 3 + plant.arrays.inner_source.shape[1]), bool)
    out[:, [0, 2]] = True
    for i, t in enumerate(nodes):
        out[i, 3:][: plant.arrays.inner_count[t]] = _inner_of_engine(plant.arrays, t)
    return out


def _together(plant: Plant, nodes: IntArray, engine: Frontiers, wheels: Frontiers, place: IntArray, wheel_row: IntArray,
              base_W: Array) -> Rows:
    """Every point of the engine's side with the best of the wheels' side, then the least fuel with the ladder of friction brakes."""
    E, W = engine.fuel.shape[1], wheels.fuel.shape[1]
    last = np.maximum(engine.count - 1, 0)[place]
    of_engine = np.concatenate([np.tile(np.arange(E), (place.size, 1)), np.tile(last[:, None], (1, W - 1))], axis=1)
    of_wheels = np.tile(np.concatenate([np.zeros(E, np.int64), np.arange(1, W)]), (place.size, 1))
    power = engine.power[place[:, None], of_engine] + wheels.power[wheel_row[:, None], of_wheels] - base_W[:, None]
    possible = (of_engine < engine.count[place][:, None]) & (of_wheels < wheels.count[wheel_row][:, None])
    possible &= (power <= plant.arrays.battery_gives_W * (1.0 + SLACK)) & (power >= -plant.arrays.battery_takes_W * (1.0 + SLACK))
    pair, point = np.nonzero(possible)
    e, w = (place[pair], of_engine[pair, point]), (wheel_row[pair], of_wheels[pair, point])
    choice = wheels.choice[w]
    from_engine = _choices_of_engine(plant, nodes)[e[0]]
    choice[from_engine] = engine.choice[e][from_engine]
    return Rows(possible.sum(axis=1), engine.fuel[e], power[pair, point], choice)
