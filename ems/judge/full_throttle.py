"""The quickest way from one speed to another: configurations chosen freely, changes and engine starts taking their time.

Labels of least time run upwards over the speeds, one a configuration. A change lasts as long as its slowest actuator (or
the engine's start); while it lasts, the wheels get what those parts give that stay engaged throughout.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ems.components.vehicle import GRAVITY_M_S2
from ems.configurations import Configuration, EngineState
from ems.judge.force_curves import ForceCurves
from ems.layout.model import Layout
from ems.plant.plant import Plant
from ems.types import Array, IntArray

# Times of changes where the layout gives no engagement_s: common practice, no source.
FRICTION_S = 0.2        # a clutch or brake opens or closes
DOG_S = 0.4             # a dog shifter leaves or enters a position, synchronisation by a machine included
FIRED_S = 0.2           # from the engine's first firing to full torque, after its cranking time

HESITATION_S = 1e-3     # a change that gains less is not made


@dataclass(frozen=True, slots=True)
class Tyres:
    """How much force the driven wheels can pass on.

    grip : coefficient of friction, dry asphalt      front_share : of the weight, at rest, on the front axle
    height_share : height of the centre of gravity over the wheelbase
    All three: common practice, no source.
    """

    grip: float = 0.9
    front_share: float = 0.58
    height_share: float = 0.22

    def _axle(self, name: str) -> tuple[float, float]:
        """(share of the weight on an axle, how much of the weight moves off it with force along the car)."""
        return (1.0 - self.front_share, -self.height_share) if "rear" in name.lower() else (self.front_share, self.height_share)

    def most_acceleration_m_s2(self, layout: Layout, resistance_N: Array, driven: Sequence[str], own_N: Mapping[str, Array]) -> Array:
        """Acceleration on the level at which the driven wheels begin to slip.

        driven : axles that are driven      own_N : force that each of them gives at most, whatever the tyres pass on
        """
        v = layout.vehicle
        mass_kg, weight_N = v.mass_kg + v.rotating_mass_kg, v.mass_kg * GRAVITY_M_S2
        most = [(self.grip * weight_N - resistance_N) / mass_kg]
        for name in driven:
            (share, moved), others_N = self._axle(name), sum(own_N[other] for other in driven if other != name)
            most.append((self.grip * share * weight_N + others_N - resistance_N) / (mass_kg + self.grip * moved * v.mass_kg))
        return np.asarray(np.minimum.reduce(most))

    def steepest(self, layout: Layout, driven: Sequence[str], own_N: Mapping[str, float]) -> float:
        """Grade (rise over run) on which the driven wheels can just move the car off; arguments as above."""
        weight_N = layout.vehicle.mass_kg * GRAVITY_M_S2
        rolling, most = layout.vehicle.f0_N / weight_N, [self.grip]
        for name in driven:
            (share, moved), others_N = self._axle(name), sum(own_N[other] for other in driven if other != name)
            most.append((self.grip * share + others_N / weight_N + self.grip * moved * rolling) / (1.0 + self.grip * moved))
        return min(most) - rolling


def driven_axles(layout: Layout, c: Configuration) -> tuple[str, ...]:
    """Axles that a source with torque reaches, other than through the road."""
    groups = {shaft: {shaft} for shaft in layout.shafts}

    def join(*shafts: str) -> None:
        whole = set().union(*(groups[shaft] for shaft in shafts))
        groups.update(dict.fromkeys(whole, whole))

    for gear in layout.gears:
        join(gear.from_shaft, gear.to_shaft)
    for planetary in layout.planetary_sets:
        join(planetary.sun, planetary.ring, planetary.carrier)
    for clutch in layout.clutches:
        if clutch.name in c.state.closed:
            join(clutch.first, clutch.second)
    for shifter, (_, position) in zip(layout.shifters, c.state.shifters, strict=True):
        shaft = dict(shifter.positions).get(position) if position is not None else None
        if shaft is not None:
            join(shifter.hub, shaft)
    for one_way in layout.one_way:
        if one_way.name in c.state.closed and one_way.from_shaft is not None and one_way.to_shaft is not None:
            join(one_way.from_shaft, one_way.to_shaft)
    own = {"engine": layout.engine.shaft} | {m.name: m.shaft for m in layout.machines}
    return tuple(a.name for a in layout.axles if groups[a.shaft] & {own[source] for source in c.active})


@dataclass(frozen=True, slots=True)
class Traction:
    """Which axles each node drives, and what every axle gives at most when it is driven alone.

    driven : node by node      own_N : (V,) by axle, inf where no node drives it alone
    """

    driven: tuple[tuple[str, ...], ...]
    own_N: dict[str, Array]


def traction(curves: ForceCurves) -> Traction:
    """Axles and their own force at the speeds of the curves."""
    layout, count = curves.plant.layout, len(curves.force_N[0])
    names = tuple(axle.name for axle in layout.axles)
    driven = tuple(names if len(names) == 1 else driven_axles(layout, curves.plant.configuration(n)) for n in range(count))
    force = np.nan_to_num(curves.force_N, nan=0.0)
    alone = {name: [n for n in range(count) if driven[n] == (name,)] for name in names}
    return Traction(driven, {name: force[:, nodes].max(axis=1) if nodes else np.full(len(force), np.inf) for name, nodes in alone.items()})


def tyres_of(layout: Layout) -> Tyres:
    """Grip and the weight on the front axle as the vehicle's file gives them; what it leaves out is as usual."""
    shares = {axle.name.lower(): axle.weight_share for axle in layout.vehicle.axles}
    front, rear = shares.get("front"), shares.get("rear")
    usual = Tyres(grip=layout.vehicle.friction)
    share = front if front is not None else (1.0 - rear if rear is not None else None)
    return usual if share is None else replace(usual, front_share=share)


@dataclass(frozen=True, slots=True)
class Sprint:
    """The quickest run.

    time_s : None when the speed at the end is out of reach
    steps : configuration by configuration: from_kmh and at_s where the change to it begins, configuration, change_s until it is engaged
    """

    time_s: float | None
    steps: tuple[dict[str, float | str], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Changes:
    """duration_s : (N, N) of a change; bridges : nodes that drive while it lasts, by pair."""

    duration_s: Array
    bridges: dict[tuple[int, int], tuple[int, ...]]


def changes(plant: Plant) -> Changes:
    """How long every change takes and what drives meanwhile."""
    count = len(plant.nodes)
    duration = np.zeros((count, count))
    bridges: dict[tuple[int, int], tuple[int, ...]] = {}
    for a in range(count):
        for b in range(count):
            if a != b:
                duration[a, b] = change_time_s(plant.layout, plant.configuration(a), plant.configuration(b))
                bridges[a, b] = _bridges(plant, plant.configuration(a), plant.configuration(b))
    return Changes(duration, bridges)


def change_time_s(layout: Layout, before: Configuration, after: Configuration) -> float:
    """Time from one configuration to another: the slowest actuator, or the engine's start where that is slower."""
    different = {word.partition("=")[0].rstrip("~") for word in set(before.state.engaged) ^ set(after.state.engaged)}
    lasts = {c.name: c.engagement_s or FRICTION_S for c in layout.clutches} | {b.name: b.engagement_s or FRICTION_S for b in layout.brakes}
    lasts |= {s.name: s.engagement_s or DOG_S for s in layout.shifters}
    actuators = max((lasts[name] for name in different if name in lasts), default=0.0)
    starts = before.engine is EngineState.STOPPED and after.engine is EngineState.RUNNING
    return max(actuators, layout.engine.engine.cranking_time_s + FIRED_S if starts else 0.0)


def _bridges(plant: Plant, before: Configuration, after: Configuration) -> tuple[int, ...]:
    """Nodes whose actuators stay engaged throughout; the engine counts where it keeps its speed, a starting machine does not."""
    shared = set(before.state.engaged) & set(after.state.engaged)
    starts = before.engine is EngineState.STOPPED and after.engine is EngineState.RUNNING
    busy = plant.layout.engine.started_by if starts else None
    found = []
    for n in range(len(plant.nodes)):
        c = plant.configuration(n)
        holds = c.wheel_driven and set(c.state.engaged) <= shared and busy not in c.active
        if holds and (c.engine is EngineState.STOPPED or (c.speed_map[0] == before.speed_map[0] and c.engine is before.engine)):
            found.append(n)
    return tuple(found)


def sprint(curves: ForceCurves, table: Changes, tyres: Tyres, start_m_s: float, end_m_s: float, at_start: Sequence[int]) -> Sprint:
    """The least time from one speed of the curves to another, beginning in one of the nodes ``at_start``."""
    first, last = (int(np.argmin(np.abs(curves.speed_m_s - v))) for v in (start_m_s, end_m_s))
    speeds = curves.speed_m_s[first:last + 1]
    pull, coast = (a[first:last + 1] for a in _accelerations(curves, tyres))
    rise = np.stack([_segment_s(speeds[i:i + 2], pull[i:i + 2]) for i in range(speeds.size - 1)])
    count = pull.shape[1]
    time, came = np.full((speeds.size, count), np.inf), np.full((speeds.size, count, 3), -1)
    time[0, list(at_start)] = 0.0
    for i in range(speeds.size):
        if i:
            climbed = time[i - 1] + rise[i - 1]
            better = climbed <= time[i] + HESITATION_S
            time[i, better] = climbed[better]
            came[i, better, 0], came[i, better, 1], came[i, better, 2] = i - 1, np.flatnonzero(better), 0
        for a in np.argsort(time[i]):
            if np.isfinite(time[i, a]) and i < speeds.size - 1:
                _change_from(int(a), i, time, came, speeds, pull, coast, rise, table)
    best = int(np.argmin(time[-1]))
    if count == 0 or not np.isfinite(time[-1, best]):
        return Sprint(None)
    return Sprint(float(time[-1, best]), _steps(curves.plant, time, came, speeds, best, table))


def _accelerations(curves: ForceCurves, tyres: Tyres) -> tuple[Array, Array]:
    """(V, N) accelerations within grip, 0 where not possible, and (V,) of a car without drive, which stays at rest where it is."""
    assert curves.acceleration_m_s2 is not None
    layout, axles = curves.plant.layout, traction(curves)
    limits = {driven: tyres.most_acceleration_m_s2(layout, curves.resistance_N, driven, axles.own_N) for driven in set(axles.driven)}
    pull = np.minimum(np.nan_to_num(curves.acceleration_m_s2, nan=0.0), np.stack([limits[d] for d in axles.driven], axis=1))
    coast = -curves.resistance_N / (layout.vehicle.mass_kg + layout.vehicle.rotating_mass_kg)
    return np.maximum(pull, 0.0), np.where(curves.speed_m_s > 0.0, coast, 0.0)


def _segment_s(speed: Array, pull: Array) -> Array:
    """(N,) time between two speeds, acceleration linear in speed between them; inf where it is nothing at either end."""
    low, high = pull
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = high / low
        seconds = np.where(np.abs(ratio - 1.0) < 1e-6, 2.0 / (low + high), np.log(ratio) / (high - low)) * (speed[1] - speed[0])
    return np.where((low > 0.0) & (high > 0.0), seconds, np.inf)


def _change_from(a: int, i: int, time: Array, came: IntArray, speeds: Array, pull: Array, coast: Array, rise: Array,
                 table: Changes) -> None:
    """Labels that a change out of node a at speed i improves."""
    for b in range(time.shape[1]):
        if b == a or pull[i, b] <= 0.0:
            continue
        lasts = float(table.duration_s[a, b])
        speed = _speed_after(lasts, i, table.bridges[a, b], speeds, coast, rise)
        if speed > speeds[-1]:
            continue                                        # there before the change is finished
        j = max(int(np.searchsorted(speeds, speed)), i)
        if pull[j, b] <= 0.0:
            continue
        after = time[i, a] + lasts + (speeds[j] - speed) / pull[j, b]   # lost speed is made up again in the new configuration
        if after < time[j, b] - HESITATION_S:
            time[j, b] = after
            came[j, b] = (i, a, 1)


def _speed_after(lasts_s: float, i: int, bridges: Sequence[int], speeds: Array, coast: Array, rise: Array) -> float:
    """Speed at the end of a change begun at speed i: driven by the strongest of the bridges, or without drive; inf beyond the speeds."""
    fastest = float(speeds[i])
    for n in bridges:
        left_s, j = lasts_s, i
        while j < len(rise) and rise[j, n] <= left_s:
            left_s, j = left_s - float(rise[j, n]), j + 1
        if j == len(rise):
            return np.inf
        fastest = max(fastest, float(speeds[j] + left_s / rise[j, n] * (speeds[j + 1] - speeds[j])))
    return fastest if fastest > speeds[i] else max(float(speeds[i] + coast[i] * lasts_s), 0.0)


def _steps(plant: Plant, time: Array, came: IntArray, speeds: Array, last: int, table: Changes) -> tuple[dict[str, float | str], ...]:
    """The run told forwards: when the change to each configuration begins."""
    i, n = speeds.size - 1, last
    told: list[dict[str, float | str]] = []
    while True:
        before_i, before_n, change = (int(x) for x in came[i, n])
        if before_i < 0:
            told.append({"from_kmh": float(3.6 * speeds[i]), "at_s": 0.0, "configuration": plant.configuration(n).id, "change_s": 0.0})
            return tuple(reversed(told))
        if change:
            told.append({"from_kmh": float(3.6 * speeds[before_i]), "at_s": float(time[before_i, before_n]),
                         "configuration": plant.configuration(n).id, "change_s": float(table.duration_s[before_n, n])})
        i, n = before_i, before_n
