"""Why a layout cannot follow a cycle: the first second, the limit that stops the best configuration, how much is missing."""

from __future__ import annotations

import numpy as np

from ems.errors import Shortfall
from ems.kernels.frontier import Grid
from ems.kernels.limits import most_wheel_torque
from ems.kernels.plant import AXLE, LOAD, SPEED, STRIDE
from ems.plant.plant import Plant
from ems.tables.build import Tables

_WORDS = ("no limit", "engine below idle speed", "engine speed", "engine full load", "engine driven without torque", "speed of {}",
          "peak torque of {}", "battery discharge power", "battery charge power", "nothing reaches the wheels",
          "directions of power flow that do not agree", "a limit on {}", "the limit on {}", "{} does not drive", "braking of axle {}")


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
        torque, code = most_wheel_torque(plant.arrays, n, tables.demands, u, Grid(24, 24, 2, 9, 12, 4, 8))
        if torque > best_torque:
            best_torque, best_code, best_node = torque, code, n
    wheel_speed = float(tables.demands.wheel_speed[u])
    missing_W = (float(tables.demands.wheel_torque[u]) - max(best_torque, 0.0)) * wheel_speed
    return Shortfall(float(demand.time_s[k]), limit_words(plant, best_node, best_code), max(missing_W, 0.0) / 1e3,
                     float(demand.dt_s[~possible].sum()))
