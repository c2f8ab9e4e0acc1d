"""Why a layout cannot follow a cycle: the first second, the limit that stops the best configuration, how much is missing."""

from __future__ import annotations

import numpy as np

from ems.errors import Shortfall
from ems.kernels.plant import AXLE, LOAD, SPEED, STRIDE, make_bench
from ems.kernels.wheel_force import ForceGrid, Road, most_torque
from ems.plant.plant import Plant
from ems.tables.build import Tables

_WORDS = ("no limit", "engine below idle speed", "engine speed", "engine full load", "engine driven without torque", "speed of {}",
          "peak torque of {}", "battery discharge power", "battery charge power", "nothing reaches the wheels",
          "directions of power flow that do not agree", "a limit on {}", "the limit on {}", "{} does not drive", "braking of axle {}")

GRID = ForceGrid(free_points=24, torque_points=24, halvings=2, inner_points=9, inner_steps=12)
MOST_TORQUE_NM = 40_000.0       # more than any car's wheels transmit


def most_wheel_torque(tables: Tables, node: int, u: int) -> tuple[float, int]:
    """(largest wheel torque of a node at the speed of demand u [N m], code of the limit above it); -1 where nothing is possible."""
    arrays, d = tables.plant.arrays, tables.demands
    road = Road(float(d.auxiliary[u]), MOST_TORQUE_NM, d.axle_least[u])
    speed, acceleration = float(d.wheel_speed[u]), float(d.wheel_acceleration[u])
    torque, code = most_torque(arrays, make_bench(arrays), node, speed, acceleration, road, GRID)
    return float(torque), int(code)


def limit_words(plant: Plant, node: int, code: int) -> str:
    """A limit code of the kernels in words."""
    kind, number = divmod(int(code), STRIDE)
    c = plant.configuration(node)
    names = {SPEED: [q.what for q in c.speed_limits], LOAD: [q.what for q in c.load_limits], AXLE: [a.name for a in plant.layout.axles]}
    return _WORDS[kind].format(names.get(kind, c.sources)[number])


def shortfall(tables: Tables) -> Shortfall | None:
    """The first interval in which no configuration can follow, or None."""
    possible = tables.count.sum(axis=1)[tables.demand_of] > 0
    if possible.all():
        return None
    plant, demand = tables.plant, tables.demand
    k = int(np.flatnonzero(~possible)[0])
    u = int(tables.demand_of[k])
    best_torque, best_code, best_node = -np.inf, 0, 0
    for n in range(len(plant.nodes)):
        torque, code = most_wheel_torque(tables, n, u)
        if torque > best_torque:
            best_torque, best_code, best_node = torque, code, n
    wheel_speed = float(tables.demands.wheel_speed[u])
    missing_W = (float(tables.demands.wheel_torque[u]) - max(best_torque, 0.0)) * wheel_speed
    return Shortfall(float(demand.time_s[k]), limit_words(plant, best_node, best_code), max(missing_W, 0.0) / 1e3,
                     float(demand.dt_s[~possible].sum()))
