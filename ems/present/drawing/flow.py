"""Power on every path of a drawing, from a trip's own torques and speeds; and what a configuration can carry.

Every figure follows from the plant: source torques, wheel torque and speeds of the trace, loads of the joints from the
balance of each shaft (``plant.loads``), electrical powers and losses from the trace's columns. Along a shaft power is added
up from port to port.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from ems.configurations import Configuration, EngineState
from ems.configurations.kinematics import WHEEL, Joint, carrying_joints
from ems.layout.model import Layout
from ems.plant.loads import Loads, joint_loads
from ems.present.drawing.axes import DRUM, SOURCES, What, shaft_of
from ems.present.drawing.geometry import Geometry
from ems.present.drawing.overlay import Overlay
from ems.present.drawing.paths import AUXILIARY_TAP, BATTERY_TAP, port_groups, taps
from ems.present.drawing.stick import WIDEST
from ems.types import Array

if TYPE_CHECKING:
    from ems.plant.trace import Trace

Port = tuple[str, str]          # key of an item, role
Given = dict[Port, Array]       # what each port gives to its shaft, (K,)
TOLERANCE = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Flows:
    """Power of a trip on every path.

    W : path (see ``paths``) -> (K,) power [W], positive in the path's direction
    turns : shaft -> (K,) whether it turns         configurations : (K,) what is engaged
    W_per_px : power that one pixel of width stands for, the same for the whole trip
    residual_Nm : largest torque that any shaft's balance leaves over
    """

    W: dict[str, Array]
    turns: dict[str, np.ndarray[tuple[int], np.dtype[np.bool_]]]
    configurations: tuple[Configuration, ...]
    W_per_px: float
    residual_Nm: float

    def at(self, k: int, title: str = "") -> Overlay:
        """What is shown for interval ``k``."""
        c = self.configurations[k]
        shown = _engaged(c)
        return replace(shown, title=title or c.id, turns={s: bool(t[k]) for s, t in self.turns.items()},
                       flows={key: float(power[k]) for key, power in self.W.items()}, W_per_px=self.W_per_px)


def trip_flows(g: Geometry, trace: Trace) -> Flows:
    """Power on every path in every interval of a trip."""
    plant, demand = trace.plant, trace.demand
    layout, count = plant.layout, trace.node.size
    radius = layout.vehicle.wheel_radius_m
    names = [m.name for m in layout.machines]
    torque = np.stack([_column(trace, f"{name}_torque_Nm") for name in ("engine", *names)], axis=1)
    flows: dict[str, Array] = {}
    turns = {shaft: np.zeros(count, bool) for shaft in layout.shafts}
    residual = 0.0
    for node in np.unique(trace.node):
        rows = np.flatnonzero(trace.node == node)
        c = plant.configuration(int(node))
        loads = joint_loads(layout, c, torque[rows], _column(trace, "wheel_torque_Nm")[rows], demand.speed_m_s[rows] / radius,
                            trace.choice[rows, 0], demand.acceleration_m_s2[rows] / radius)
        residual = max(residual, float(loads.residual_Nm.max()))
        for shaft in layout.shafts:
            turns[shaft][rows] = np.abs(loads.speed_rad_s[:, loads.shafts.index(shaft)]) > TOLERANCE
        for key, power in _mechanical(g, layout, c, loads, torque[rows]).items():
            flows.setdefault(key, np.zeros(count))[rows] = power
    flows |= _electrical(g, trace, names)
    widest = max([float(np.abs(p).max()) for key, p in flows.items() if not key.startswith(("fuel", "loss"))] + [1.0])
    return Flows(flows, turns, tuple(plant.configuration(int(n)) for n in trace.node), widest / WIDEST, residual)


def _column(trace: Trace, name: str) -> Array:
    return np.asarray(trace.columns[name], float)


def _mechanical(g: Geometry, layout: Layout, c: Configuration, loads: Loads, source_torque: Array) -> dict[str, Array]:
    """Power of every mechanical path and of every mesh loss."""
    power = loads.power_W
    given: Given = {}
    out: dict[str, Array] = {}
    for j, (joint, owner) in enumerate(zip(loads.joints, joint_owners(g, layout, c), strict=True)):
        key, roles = owner
        for (shaft, _), role in zip(joint.terms, roles, strict=False):
            if shaft != WHEEL:
                _add(given, (key, role), power[:, j, loads.shafts.index(shaft)])
        out |= _joint_paths(joint, key, roles, power[:, j], loads)
    speed = {shaft: loads.speed_rad_s[:, n] for n, shaft in enumerate(loads.shafts)}
    sources = [item for item in g.made.items if item.what in SOURCES]
    rotors = [layout.engine.engine.inertia_kgm2, *(m.machine.inertia_kgm2 for m in layout.machines)]
    total = {shaft: loads.inertia_W[:, n] for n, shaft in enumerate(loads.shafts)}
    left = {shaft: total[shaft] + loads.drag_W[:, n] for n, shaft in enumerate(loads.shafts)}
    whole = {shaft: sum(r for item, r in zip(sources, rotors, strict=True) if shaft_of(item.ports[0][1]) == shaft)
             + (layout.shaft_properties[shaft].inertia_kgm2 if shaft in layout.shaft_properties else 0.0) for shaft in layout.shafts}
    for n, (item, rotor) in enumerate(zip(sources, rotors, strict=True)):
        shaft = shaft_of(item.ports[0][1])
        made = source_torque[:, n] * speed[shaft]
        own = total[shaft] * (rotor / whole[shaft] if whole[shaft] else 0.0)
        _add(given, (item.key, "shaft"), made - own)
        left[shaft] = left[shaft] - own
        if item.what is What.MACHINE:
            out[f"machine:{item.name}"] = made - own
    return out | along_shafts(g, given, left)


def _joint_paths(joint: Joint, key: str, roles: tuple[str, ...], power: Array, loads: Loads) -> dict[str, Array]:
    """Paths of one joint; power : (K, N) that it gives to each shaft."""
    to = [power[:, loads.shafts.index(shaft)] for shaft, _ in joint.terms]
    what, _, name = key.partition(":")
    lost = -np.sum(power, axis=1)
    match what:
        case What.GEAR:
            return {f"{key}:from": -to[0], f"{key}:to": to[1], f"loss:{key}": lost}
        case What.SET if len(to) == 3:
            return {**{f"{key}:{role}": -p for role, p in zip(roles, to, strict=True)}, f"loss:{key}": lost}
        case What.CLUTCH | What.ONE_WAY if len(to) == 2:
            return {key: to[1]}
        case What.SHIFTER:
            return {f"shifter:{name.partition('.')[0]}:{roles[1].removeprefix('position ')}": to[1]}
        case What.AXLE:
            return {key: -to[0]}
    return {}


def _add(given: Given, port: Port, value: Array) -> None:
    given[port] = given.get(port, 0.0) + value


def joint_owners(g: Geometry, layout: Layout, c: Configuration) -> list[tuple[str, tuple[str, ...]]]:
    """(item key, roles of its terms) of every joint of a configuration, fixed ones first."""
    owners: list[tuple[str, tuple[str, ...]]] = [(f"gear:{x.name}", ("from", "to")) for x in layout.gears]
    owners += [(f"set:{x.name}", ("sun", "ring", "carrier")) for x in layout.planetary_sets]
    owners += [(f"axle:{x.name}", ("shaft",)) for x in layout.axles]
    return owners + [_owner(g, c, joint) for joint in carrying_joints(layout, c.state)]


def _owner(g: Geometry, c: Configuration, joint: Joint) -> tuple[str, tuple[str, ...]]:
    position = dict(c.state.shifters).get(joint.name)
    for item in g.made.items:
        if joint.name in item.mounted:
            return item.key, ("ring",)
        if item.name != joint.name:
            continue
        if item.what is What.SHIFTER and position in item.words:
            return item.key, ("hub", f"position {position}")
        if item.what in (What.CLUTCH, What.BRAKE, What.ONE_WAY):
            return item.key, tuple(role for role, _ in item.ports if role != DRUM)
    raise KeyError(joint.name)


# ------------------------------------------------------------------------------------------------------ along shafts


def along_shafts(g: Geometry, given: Given, stored: Mapping[str, Array]) -> dict[str, Array]:
    """What passes each stretch of shaft, from left to right.

    given  : what each port gives to its shaft        stored : what each shaft itself takes up, at its middle port
    The label of a cut shaft passes on what is left over.
    """
    out: dict[str, Array] = {}
    nothing = np.zeros_like(next(iter(stored.values())))
    given = {**given, **_through_drums(g, given)}
    for item in g.made.items:
        if item.drum is not None:
            out[f"{DRUM}:{item.name}"] = given[item.key, DRUM]
    for piece in g.made.pieces:
        groups = port_groups(g, piece)
        passed, seen = [], set()
        for group in groups:
            total = nothing
            for _, key, role in group:
                if (key, role) not in seen:
                    seen.add((key, role))
                    total = total + given.get((key, role), 0.0)
            passed.append(total)
        if piece in stored and passed:
            passed[len(passed) // 2] = passed[len(passed) // 2] - stored[piece]
        for port, other in _told_ports(g, piece):
            near = min(range(len(groups)), key=lambda n: abs(groups[n][0][0] - other), default=0)
            if groups:
                passed[near] = passed[near] + given.get(port, 0.0)
        tag = next((n for n, group in enumerate(groups) if any(key.startswith(f"{What.TAG}:") for _, key, _ in group)), None)
        if tag is not None:
            passed[tag] = passed[tag] - sum(passed)
        for n, running in enumerate(itertools.accumulate(passed[:-1])):
            out[f"shaft:{piece}:{n}"] = running
    return out


def _through_drums(g: Geometry, given: Given) -> Given:
    """What clutches give where a drum begins and at its far end: a drum hands on what the ports beyond it give, other drums' too."""
    over = {(item.key, item.drum_side): item.drum for item in g.made.items if item.drum is not None}
    nothing = 0.0 * next(iter(given.values()))

    def passed(piece: str) -> Array:
        ports = dict.fromkeys((key, role) for _, key, role in g.ports[piece] if role != DRUM)
        return sum((at(port) for port in ports), nothing)

    def at(port: Port) -> Array:
        own = given.get(port, nothing)
        return own + passed(over[port]) if port in over else own

    out: Given = {port: at(port) for port in over}
    return out | {(key, DRUM): -passed(piece) for (key, _), piece in over.items()}



def _told_ports(g: Geometry, piece: str) -> list[tuple[Port, float]]:
    """Ports that belong to a piece but are only told in words, with their places: they give to the nearest port."""
    if shaft_of(piece) != piece:
        return []
    return [((item.key, role), g.x[i]) for i, item in enumerate(g.made.items) for role, shaft in item.apart if shaft == piece]


def _electrical(g: Geometry, trace: Trace, names: list[str]) -> dict[str, Array]:
    """Power on the electrical links, of the fuel, and lost in components."""
    kW = {name: _column(trace, f"{name}_electrical_kW") for name in names}
    out = {f"wire:{name}": -1e3 * p for name, p in kW.items()}
    on_line = {AUXILIARY_TAP: -1e3 * _column(trace, "auxiliary_kW"), **{name: -1e3 * p for name, p in kW.items()}}
    on_line[BATTERY_TAP] = -np.sum(list(on_line.values()), axis=0)     # what the line takes; see DEVELOPERS on a lane's reference
    for n, running in enumerate(itertools.accumulate(on_line[name] for _, _, name in taps(g)[:-1])):
        out[f"bus:{n}"] = running
    burnt_g_s = _column(trace, "fuel_g_s") + _column(trace, "transition_fuel_g") / trace.demand.dt_s
    out["fuel"] = burnt_g_s * trace.plant.heating_value_J_g
    for name in ("engine", *names, "battery", "brakes"):
        out[f"loss:{name}"] = 1e3 * _column(trace, f"loss_{name}_kW")
    return out


# ------------------------------------------------------------------------------------------------- one configuration


def _engaged(c: Configuration) -> Overlay:
    return Overlay(title=c.id, closed=frozenset(c.state.closed), positions=dict(c.state.shifters))


def configuration_overlay(g: Geometry, layout: Layout, c: Configuration) -> Overlay:
    """What is engaged, what turns, and which paths can carry torque."""
    turns = {shaft: bool(w or f) for shaft, (w, f) in zip(layout.shafts, c.shaft_map, strict=False)}
    can = {key for balance in c.balances for key in _carrying(g, layout, c, np.array([float(b) for b in balance]))}
    active = [name for name in c.active if name != "engine"]
    if active:
        can |= _links(g, active)
    if c.engine is EngineState.RUNNING:
        can.add("fuel")
    return replace(_engaged(c), turns=turns, can=frozenset(can), description=f"Configuration {c.id}: {c.kind.value}.")


def _carrying(g: Geometry, layout: Layout, c: Configuration, balance: Array) -> set[str]:
    """Paths with torque in one lossless balance of (sources, wheels)."""
    zero = np.zeros(1)
    loads = joint_loads(layout, c, balance[None, :-1], -balance[-1:], zero, zero, zero, lossless=True)
    as_power = replace(loads, speed_rad_s=np.ones_like(loads.speed_rad_s))
    flows = _mechanical(g, layout, c, as_power, balance[None, :-1])
    largest = max([1e-12, *(abs(float(v[0])) for v in flows.values())])
    return {key for key, v in flows.items() if abs(float(v[0])) > 1e-6 * largest and not key.startswith("loss:")}


def _links(g: Geometry, active: list[str]) -> set[str]:
    """Electrical links between the machines that carry torque, and to the battery."""
    names = [name for _, _, name in taps(g)]
    ends = [n for n, name in enumerate(names) if name in active or name == BATTERY_TAP]
    return {f"wire:{name}" for name in active} | {f"bus:{n}" for n in range(min(ends), max(ends))}


__all__ = ["Flows", "along_shafts", "configuration_overlay", "joint_owners", "trip_flows"]
