"""Why a layout cannot follow a cycle: the first second, the limit that stops the best configuration, how much is missing."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np

from ems.errors import Shortfall
from ems.kernels.box import best_division
from ems.kernels.plant import (
    AXLE,
    COUPLED,
    ENGINE_FAST,
    ENGINE_SLOW,
    ENGINE_TORQUE,
    LOAD,
    MACHINE_DRIVES,
    MACHINE_SPEED,
    NO_DRIVE,
    OK,
    SPEED,
    STRIDE,
    free_range,
    make_bench,
    make_cut,
    terminal_power,
)
from ems.kernels.wheel_force import ForceGrid, Road, most_torque
from ems.plant.plant import Plant
from ems.tables.build import Tables

_WORDS = ("no limit", "engine below idle speed", "engine speed", "engine full load", "engine driven without torque", "speed of {}",
          "peak torque of {}", "battery discharge power", "battery charge power", "no source that reaches the wheels",
          "directions of power flow that do not agree", "a limit on {}", "the limit on {}", "{} does not drive", "braking of axle {}")

GRID = ForceGrid(free_points=24, torque_points=24, halvings=2, inner_points=9, inner_steps=12)
MOST_TORQUE_NM = 40_000.0       # more than any car's wheels transmit
_SPEEDS = (ENGINE_SLOW, ENGINE_FAST, MACHINE_SPEED, SPEED)


def most_wheel_torque(tables: Tables, node: int, u: int) -> tuple[float, int]:
    """(largest wheel torque of a node at the speed of demand u [N m], code of the limit above it); -1 where nothing is possible."""
    arrays, d = tables.plant.arrays, tables.demands
    road = Road(float(d.auxiliary[u]), MOST_TORQUE_NM, d.axle_least[u])
    speed, acceleration = float(d.wheel_speed[u]), float(d.wheel_acceleration[u])
    torque, code = most_torque(arrays, make_bench(arrays), node, speed, acceleration, road, GRID)
    if torque >= 0.0 and code == OK:
        code = _stopping(tables, node, u, float(torque))
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
    demand = tables.demand
    k = int(np.flatnonzero(~possible)[0])
    u = int(tables.demand_of[k])
    most = [most_wheel_torque(tables, n, u) for n in range(len(tables.plant.nodes))]
    best = max(range(len(most)), key=lambda n: most[n][0])
    wanted_Nm, best_Nm = float(tables.demands.wheel_torque[u]), most[best][0]
    if best_Nm < 0.0:
        words = _idle_words(tables, u, [code for _, code in most])
    elif best_Nm >= wanted_Nm:
        words = _words_at(tables, u, max(wanted_Nm, 0.0)) or limit_words(tables.plant, best, most[best][1])
    else:
        words = limit_words(tables.plant, best, most[best][1])
    missing_W = (wanted_Nm - max(best_Nm, 0.0)) * float(tables.demands.wheel_speed[u])
    return Shortfall(float(demand.time_s[k]), words, max(missing_W, 0.0) / 1e3, float(demand.dt_s[~possible].sum()))


# -- the limit behind what the search for torque does not tell --------------------------------------------------------------------


def _stopping(tables: Tables, node: int, u: int, torque_Nm: float) -> int:
    """The limit just above the most torque of a node, where the machines' own range ended the search."""
    votes: Counter[int] = Counter()
    for share in (1.0, None):
        for below, above in zip(_codes(tables, node, u, 0.995 * torque_Nm - 0.1, share),
                                _codes(tables, node, u, 1.005 * torque_Nm + 0.1, share), strict=True):
            if below == OK and above != OK:
                votes[ENGINE_TORQUE * STRIDE if above // STRIDE == MACHINE_DRIVES else above] += 1
        if votes:
            return votes.most_common(1)[0][0]
    return OK


def _codes(tables: Tables, node: int, u: int, torque_Nm: float, share: float | None = None) -> Iterator[int]:
    """What stops a node at a wheel torque, or OK, all over engine speed and torque; share : of full load, a range when None."""
    arrays, d = tables.plant.arrays, tables.demands
    bench, speed = make_bench(arrays), float(d.wheel_speed[u])
    low, high = free_range(arrays, node, speed)
    coupled = arrays.engine_mode[node] == COUPLED and arrays.engine_free[node]
    shares = np.linspace(1.0, 0.0, 9) if coupled and share is None else np.array([1.0])
    for f in np.linspace(low, high, 13 if high > low else 1) if low <= high else ():
        for part in shares:
            cut = make_cut(arrays, bench, node, speed, float(f), float(d.wheel_acceleration[u]), float(d.auxiliary[u]), d.axle_least[u])
            if cut.code == OK:
                best_division(cut, torque_Nm, float(part) * float(cut.limit[0]), GRID.inner_points, GRID.inner_steps, False)
                yield int(terminal_power(cut)[1])
            else:
                yield int(cut.code)


def _words_at(tables: Tables, u: int, torque_Nm: float) -> str:
    """What most often stops the configurations at a torque (braking, at none: brakes take the rest); nothing when none is stopped."""
    plant = tables.plant
    votes = Counter(limit_words(plant, n, code) for n in range(len(plant.nodes)) if plant.arrays.wheel_driven[n]
                    for code in _codes(tables, n, u, torque_Nm) if code != OK and code // STRIDE not in _SPEEDS)
    return votes.most_common(1)[0][0] if votes else ""


def _idle_words(tables: Tables, u: int, codes: list[int]) -> str:
    """What stops every configuration where none is possible at any torque: load first, then speed, then that nothing drives."""
    plant = tables.plant
    told = [(n, code) for n, code in enumerate(codes) if code != OK and code // STRIDE != NO_DRIVE]
    loads = [limit_words(plant, n, code) for n, code in told if code // STRIDE not in _SPEEDS]
    if loads:
        return Counter(loads).most_common(1)[0][0]
    fastest = max((n for n in range(len(plant.nodes)) if plant.configuration(n).wheel_driven), default=0,
                  key=lambda n: plant.configuration(n).speed_range_kmh[1])
    return _speed_words(plant, fastest, float(tables.demands.wheel_speed[u])) or _WORDS[NO_DRIVE]


def _speed_words(plant: Plant, node: int, wheel_rad_s: float) -> str:
    """The speed limit that a configuration cannot keep at a wheel speed, whatever the engine's speed; nothing when it keeps all."""
    low, high = -np.inf, np.inf
    for limit in plant.configuration(node).speed_limits:
        fixed, free = float(limit.wheel) * wheel_rad_s, float(limit.free)
        if free == 0.0:
            if not limit.low_rad_s - 1e-6 <= fixed <= limit.high_rad_s + 1e-6:
                return f"speed of {limit.what}"
            continue
        ends = sorted(((limit.low_rad_s - fixed) / free, (limit.high_rad_s - fixed) / free))
        low, high = max(low, ends[0]), min(high, ends[1])
        if low > high + 1e-6:
            return f"speed of {limit.what}"
    return ""
