"""The plant: a layout with its derived configurations, as arrays every solver and simulator judges choices by."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np

from ems.components.battery import Battery
from ems.components.machine import Machine
from ems.configurations import WHEEL, Configuration, Derivation, EngineState, derive
from ems.configurations.kinematics import Joint
from ems.errors import InputError, Mistake
from ems.kernels.battery import BatteryArrays, electrochemical, state
from ems.kernels.plant import COUPLED, DRAGGED, IDLING, STOPPED, PlantArrays
from ems.kernels.transitions import NodeArrays
from ems.layout.model import Layout
from ems.plant.torque_maps import TorqueMaps, limited_axles, told_joints, torque_maps
from ems.types import Array, IntArray

SYNCHRONISATION_EFFICIENCY = 0.90   # machine and inverter while they bring a rotor to speed; usual, no source
LANES = 6                           # lanes of a free engine speed; energy inside one is counted at its middle
PULSE_POWER_W = 10_000.0            # nominal power at which the battery pays for a transition; usual, no source


@dataclass(frozen=True, slots=True)
class Node:
    """A discrete state of the search: a configuration, and a lane of engine speed where that is free.

    configuration : index into the derivation's configurations
    lane : number of the lane, 0 where there is only one
    low_rad_s, high_rad_s : range of the free engine speed; both zero where none is free
    reference_rad_s : engine speed at which the lane's kinetic energy is counted
    """

    configuration: int
    lane: int
    low_rad_s: float
    high_rad_s: float
    reference_rad_s: float


@dataclass(frozen=True, slots=True)
class Ceiling:
    """Highest engine speed while the car is slower than a speed [rad/s, m/s]."""

    engine_rad_s: float
    below_m_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Plant:
    """One plant for all solvers.

    layout, derivation : what it was built from
    nodes : discrete states, one table each
    maps : torque maps of each configuration
    arrays, battery, transitions : the same for the kernels
    ceiling : of the engine's speed at low speeds, which tables keep to; None: none
    """

    layout: Layout
    derivation: Derivation
    nodes: tuple[Node, ...]
    maps: tuple[TorqueMaps, ...]
    arrays: PlantArrays
    battery: BatteryArrays
    transitions: NodeArrays
    ceiling: Ceiling | None = None

    def under_ceiling(self) -> Plant:
        """The plant with the engine never faster than the ceiling; the lane that it cuts is narrower, those above cannot be used."""
        if self.ceiling is None:
            return self
        arrays, most = self.arrays, min(self.ceiling.engine_rad_s, self.arrays.engine_max)
        return replace(self, arrays=arrays._replace(engine_max=most, free_high=np.clip(most, arrays.free_low, arrays.free_high)))

    def configuration(self, node: int) -> Configuration:
        """Configuration of a node."""
        return self.derivation.configurations[self.nodes[node].configuration]

    @property
    def heating_value_J_g(self) -> float:
        """Lower heating value of the fuel [J/g]."""
        return self.layout.engine.engine.fuel.heating_value_J_g

    @property
    def nominal_x(self) -> float:
        """Resistance over voltage squared of the battery at its target charge [1/W]."""
        battery = self.layout.battery
        _, v, rd, _ = state(self.battery, float(battery.energy_J(battery.soc_target)))
        return float(rd / v**2)


def build_plant(layout: Layout, derivation: Derivation | None = None, lanes: int = LANES) -> Plant:
    """The plant of a layout.

    derivation : its configurations; derived when None
    lanes : how many lanes the free engine speed is divided into
    Raises ``InputError`` where no configuration is left.
    """
    derivation = derivation or derive(layout)
    if not derivation.configurations:
        raise InputError([Mistake(str(layout.path or layout.name), "forbid", "every configuration ruled out",
                                  "a layout that can run in one at least (`ems modes` lists them)")])
    nodes = tuple(node for i, c in enumerate(derivation.configurations) for node in _nodes(layout, i, c, lanes))
    maps = tuple(torque_maps(layout, c) for c in derivation.configurations)
    battery = battery_arrays(layout.battery)
    return Plant(layout, derivation, nodes, maps, _plant_arrays(layout, derivation, nodes, maps), battery,
                 _transition_arrays(layout, derivation, nodes, maps, battery))


def _nodes(layout: Layout, index: int, c: Configuration, lanes: int) -> list[Node]:
    engine = layout.engine.engine
    if c.idling:
        return [Node(index, 0, engine.idle_rad_s, engine.idle_rad_s, engine.idle_rad_s)]
    if c.free_speed is None:
        return [Node(index, 0, 0.0, 0.0, 0.0)]
    lowest = 0.0 if c.engine is EngineState.FUEL_CUT else engine.idle_rad_s
    if lanes == 1:
        return [Node(index, 0, lowest, engine.max_rad_s, _best_speed(layout))]
    edges = np.linspace(lowest, engine.max_rad_s, lanes + 1)
    return [Node(index, i, float(a), float(b), float(a + b) / 2) for i, (a, b) in enumerate(itertools.pairwise(edges))]


def _best_speed(layout: Layout) -> float:
    """Engine speed of the best efficiency on the map, below full load [rad/s]."""
    engine = layout.engine.engine
    full = np.interp(engine.speed_rad_s, engine.limit_speed_rad_s, engine.full_load_Nm)
    power = engine.speed_rad_s[:, None] * engine.torque_Nm[None, :]
    possible = (engine.torque_Nm[None, :] <= full[:, None]) & (power > 0)
    specific = np.where(possible, engine.fuel_g_s / np.maximum(power, 1.0), np.inf)
    return float(engine.speed_rad_s[int(np.argmin(specific.min(axis=1)))])


def battery_arrays(battery: Battery) -> BatteryArrays:
    """Battery for the kernels, over stored energy."""
    return BatteryArrays(
        np.ascontiguousarray(battery.node_energy_J), battery.soc, battery.voltage_V, battery.resistance_discharge_ohm,
        battery.resistance_charge_ohm, battery.capacity_As, float(battery.energy_J(battery.soc_low)),
        float(battery.energy_J(battery.soc_high)), np.asarray(battery.discharge_power_W, float),
        np.asarray(battery.charge_power_W, float),
        battery.discharge_limit_A, battery.charge_limit_A)


def _mode(c: Configuration) -> int:
    if c.engine is EngineState.RUNNING:
        return IDLING if c.idling else COUPLED
    return STOPPED if c.engine is EngineState.STOPPED else DRAGGED


def _plant_arrays(layout: Layout, derivation: Derivation, nodes: tuple[Node, ...],
                  maps: tuple[TorqueMaps, ...]) -> PlantArrays:
    configurations = [derivation.configurations[n.configuration] for n in nodes]
    node_maps = [maps[n.configuration] for n in nodes]
    joints = told_joints(layout)
    number = {joint.name: g for g, joint in enumerate(joints)}
    mesh_wheel, mesh_free = _joint_speeds(layout, joints, configurations)
    inner = max([1, *(len(m.inner) for m in node_maps)])
    torque_map, first = _stack(maps, inner)
    engine = layout.engine.engine
    standby_W = sum(m.machine.standby_W for m in layout.machines)
    return PlantArrays(
        engine_mode=np.array([_mode(c) for c in configurations]),
        engine_free=np.array([m.engine_free for m in node_maps]),
        wheel_driven=np.array([c.wheel_driven for c in configurations]), wheel_free=np.array([m.wheel_free for m in node_maps]),
        has_free=np.array([n.high_rad_s > n.low_rad_s for n in nodes]),
        free_low=np.array([n.low_rad_s for n in nodes]), free_high=np.array([n.high_rad_s for n in nodes]),
        reference=np.array([n.reference_rad_s for n in nodes]),
        source_wheel=np.array([[float(w) for w, _ in c.speed_map] for c in configurations]),
        source_free=np.array([[float(f) for _, f in c.speed_map] for c in configurations]),
        mesh_wheel=mesh_wheel, mesh_free=mesh_free,
        kinetic_wheel=np.array([m.kinetic[0] for m in node_maps]), kinetic_free=np.array([m.kinetic[1] for m in node_maps]),
        mesh_loss=np.array([1.0 - j.efficiency for j in joints]),
        bits=np.array([len(m.loaded) for m in node_maps]), bit_mesh=_ragged([m.loaded for m in node_maps]),
        first_pattern=np.array([first[n.configuration] for n in nodes]), torque_map=torque_map,
        inner_count=np.array([len(m.inner) for m in node_maps]), inner_source=_ragged([m.inner for m in node_maps]),
        hold_W=np.array([c.electric_W + standby_W for c in configurations]),
        **_limits(layout, configurations, number), axle_joint=np.array([number[name] for name in limited_axles(layout)], np.int64),
        motoring_speed=_or_zeros(engine.motoring_speed_rad_s), motoring_drag=_or_zeros(engine.motoring_Nm),
        machine_drives=np.array([m.drives for m in layout.machines], bool), reserve=starting_reserve_Nm(layout, derivation)[
            [n.configuration for n in nodes]],
        engine_speed=engine.speed_rad_s, engine_torque=engine.torque_Nm,
        engine_fuel=np.ascontiguousarray(engine.fuel_g_s),
        engine_limit_speed=engine.limit_speed_rad_s, engine_full_load=engine.full_load_Nm,
        engine_idle=engine.idle_rad_s, engine_max=engine.max_rad_s,
        **_padded([m.machine for m in layout.machines]), battery_gives_W=layout.battery.discharge_limit_W,
        battery_takes_W=layout.battery.charge_limit_W)


def _or_zeros(values: Array) -> Array:
    return values if values.size else np.zeros(2)


def _joint_speeds(layout: Layout, joints: list[Joint], configurations: list[Configuration]) -> tuple[Array, Array]:
    """(T, G) speeds at which the joints roll, per wheel speed and per free speed."""
    column = {name: i for i, name in enumerate((*layout.shafts, WHEEL))}
    wheel, free = np.zeros((len(configurations), len(joints))), np.zeros((len(configurations), len(joints)))
    for t, c in enumerate(configurations):
        for g, joint in enumerate(joints):
            for shaft, coefficient in joint.relative:
                wheel[t, g] += float(coefficient * c.shaft_map[column[shaft]][0])
                free[t, g] += float(coefficient * c.shaft_map[column[shaft]][1])
    return wheel, free


def _limits(layout: Layout, configurations: list[Configuration], number: dict[str, int]) -> dict[str, Array]:
    """Drags, speed limits, load limits and slipping clutches as padded arrays."""
    drags = [[(d.wheel, d.free, d.constant_Nm, d.viscous_Nms_rad) for d in c.drags] for c in configurations]
    speeds = [[(q.wheel, q.free, q.low_rad_s, q.high_rad_s) for q in c.speed_limits] for c in configurations]
    loads = [[(q.factor, q.low_Nm, q.high_Nm) for q in c.load_limits] for c in configurations]
    slips = [[(q.wheel, q.free, q.factor) for q in c.slips] for c in configurations]
    return {
        "drag_count": _counts(drags), "drag": _block(drags, 4), "speed_count": _counts(speeds), "speed_limit": _block(speeds, 4),
        "load_count": _counts(loads), "load_limit": _block(loads, 3),
        "load_joint": _ragged([tuple(number[q.joint] for q in c.load_limits) for c in configurations]),
        "slip_joint": np.array([number[c.slips[0].clutch] if c.slips else -1 for c in configurations]), "slip": _block(slips, 3)[:, 0],
    }


def _counts(rows: Sequence[Sequence[object]]) -> IntArray:
    return np.array([len(row) for row in rows], np.int64)


def _block(rows: Sequence[Sequence[tuple[Fraction | float, ...]]], width: int) -> Array:
    """(T, most, width) rows padded with zeros."""
    out = np.zeros((len(rows), max([1, *map(len, rows)]), width))
    for t, row in enumerate(rows):
        for i, values in enumerate(row):
            out[t, i] = [float(v) for v in values]
    return out


def starting_reserve_Nm(layout: Layout, derivation: Derivation) -> Array:
    """(configurations, machines) torque that the starting machine keeps for cranking while the engine stands.

    The lever is that of a configuration in which it turns the running engine at rest: cranking torque over its speed per engine speed.
    """
    out = np.zeros((len(derivation.configurations), len(layout.machines)))
    names = [m.name for m in layout.machines]
    if layout.engine.started_by is None:
        return out
    m = names.index(layout.engine.started_by)
    levers = [abs(float(c.speed_map[m + 1][1])) for c in derivation.configurations
              if c.free_speed and not c.idling and not c.slipping and c.speed_map[m + 1][1]]
    torque = layout.engine.engine.cranking_torque_Nm / max(levers, default=1.0)
    for i, c in enumerate(derivation.configurations):
        if c.engine is EngineState.STOPPED and names[m] in c.active:
            out[i, m] = torque
    return out


def _stack(maps: tuple[TorqueMaps, ...], inner: int) -> tuple[Array, list[int]]:
    """All torque maps in one array, inner torques padded, and where each configuration's patterns begin."""
    first, blocks, count = [], [], 0
    most_drags = max(m.matrices.shape[2] - 3 - len(m.inner) for m in maps)
    for m in maps:
        own = len(m.inner)
        drags = m.matrices.shape[2] - 3 - own
        block = np.zeros((m.matrices.shape[0], m.matrices.shape[1], 3 + inner + most_drags))
        block[:, :, : 2 + own] = m.matrices[:, :, : 2 + own]
        block[:, :, 2 + inner : 3 + inner + drags] = m.matrices[:, :, 2 + own :]
        first.append(count)
        blocks.append(block)
        count += len(block)
    return np.concatenate(blocks), first


def _ragged(rows: list[tuple[int, ...]]) -> IntArray:
    out = np.zeros((len(rows), max([1, *map(len, rows)])), np.int64)
    for i, row in enumerate(rows):
        out[i, : len(row)] = row
    return out


def _padded(machines: list[Machine]) -> dict[str, Array]:
    """Machine maps padded to common sizes."""
    count = len(machines)
    speeds = max([2, *(m.speed_rad_s.size for m in machines)])
    torques = max([2, *(m.torque_Nm.size for m in machines)])
    limits = max([2, *(m.limit_speed_rad_s.size for m in machines)])
    speed, torque = np.zeros((count, speeds)), np.zeros((count, torques))
    loss, limit_speed, peak = np.zeros((count, speeds, torques)), np.zeros((count, limits)), np.zeros((count, limits))
    for i, m in enumerate(machines):
        n, q, p = m.speed_rad_s.size, m.torque_Nm.size, m.limit_speed_rad_s.size
        speed[i, :n], torque[i, :q], loss[i, :n, :q] = m.speed_rad_s, m.torque_Nm, m.loss_W
        limit_speed[i, :p], peak[i, :p] = m.limit_speed_rad_s, m.peak_Nm
    return {
        "machine_speed": speed, "machine_torque": torque, "machine_loss": loss,
        "machine_speed_count": np.array([m.speed_rad_s.size for m in machines], np.int64),
        "machine_torque_count": np.array([m.torque_Nm.size for m in machines], np.int64),
        "machine_limit_speed": limit_speed, "machine_peak": peak,
        "machine_limit_count": np.array([m.limit_speed_rad_s.size for m in machines], np.int64),
        "machine_max": np.array([m.max_rad_s for m in machines], float),
    }


def _transition_arrays(layout: Layout, derivation: Derivation, nodes: tuple[Node, ...], maps: tuple[TorqueMaps, ...],
                       battery: BatteryArrays) -> NodeArrays:
    configurations = [derivation.configurations[n.configuration] for n in nodes]
    engine = layout.engine.engine
    _, v, rd, rc = state(battery, float(layout.battery.energy_J(layout.battery.soc_target)))
    wheel = np.array([[float(w) for w, _ in c.speed_map] for c in configurations])
    reference = np.array([n.reference_rad_s for n in nodes])
    offset = np.array([[float(f) for _, f in c.speed_map] for c in configurations]) * reference[:, None]
    names = [m.name for m in layout.machines]
    recovers = any(m.drives for m in layout.machines)
    return NodeArrays(
        source_wheel=wheel, source_offset=offset, own_kinetic=np.array([maps[n.configuration].own_kinetic for n in nodes]),
        reference=reference, low=np.array([n.low_rad_s for n in nodes]), high=np.array([n.high_rad_s for n in nodes]),
        engine_mode=np.array([_mode(c) for c in configurations]),
        has_free=np.array([n.high_rad_s > n.low_rad_s for n in nodes]), slipping=np.array([bool(c.slips) for c in configurations]),
        inertia=np.array([engine.inertia_kgm2, *(m.machine.inertia_kgm2 for m in layout.machines)]),
        starter=names.index(layout.engine.started_by) if layout.engine.started_by else 0 if names else -1,
        crank_torque=engine.cranking_torque_Nm, crank_time=engine.cranking_time_s, start_fuel=engine.start_fuel_g,
        ramp=engine.speed_ramp_rad_s2, efficiency=SYNCHRONISATION_EFFICIENCY,
        recovery=SYNCHRONISATION_EFFICIENCY if recovers else 0.0,
        pulse_out=electrochemical(PULSE_POWER_W, rd / v**2) / PULSE_POWER_W,
        pulse_in=-electrochemical(-PULSE_POWER_W, rc / v**2) / PULSE_POWER_W)
