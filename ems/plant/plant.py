"""The plant: a layout with its derived configurations, as arrays every solver and simulator judges choices by."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from ems.components.battery import Battery
from ems.components.machine import Machine
from ems.configurations import Configuration, Derivation, EngineState, derive
from ems.kernels.battery import BatteryArrays, electrochemical, state
from ems.kernels.plant import COUPLED, IDLING, STOPPED, PlantArrays
from ems.kernels.transitions import NodeArrays
from ems.layout.model import Layout
from ems.plant.torque_maps import TorqueMaps, lossy_joints, torque_maps
from ems.types import Array

SYNCHRONISATION_EFFICIENCY = 0.90   # machine and inverter while they bring a rotor to speed; usual, no source
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


@dataclass(frozen=True, slots=True, eq=False)
class Plant:
    """One plant for all solvers.

    layout, derivation : what it was built from
    nodes : discrete states, one table each
    maps : torque maps of each configuration
    arrays, battery, transitions : the same for the kernels
    """

    layout: Layout
    derivation: Derivation
    nodes: tuple[Node, ...]
    maps: tuple[TorqueMaps, ...]
    arrays: PlantArrays
    battery: BatteryArrays
    transitions: NodeArrays

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


def build_plant(layout: Layout, derivation: Derivation | None = None, lanes: int = 1) -> Plant:
    """The plant of a layout.

    derivation : its configurations; derived when None
    lanes : how many lanes the free engine speed is divided into
    """
    derivation = derivation or derive(layout)
    nodes = tuple(node for i, c in enumerate(derivation.configurations) for node in _nodes(layout, i, c, lanes))
    maps = tuple(torque_maps(layout, c) for c in derivation.configurations)
    battery = battery_arrays(layout.battery)
    return Plant(layout, derivation, nodes, maps, _plant_arrays(layout, derivation, nodes, maps), battery,
                 _transition_arrays(layout, derivation, nodes, battery))


def _nodes(layout: Layout, index: int, c: Configuration, lanes: int) -> list[Node]:
    engine = layout.engine.engine
    if c.idling:
        return [Node(index, 0, engine.idle_rad_s, engine.idle_rad_s, engine.idle_rad_s)]
    if c.free_speed is None:
        return [Node(index, 0, 0.0, 0.0, 0.0)]
    if lanes == 1:
        return [Node(index, 0, engine.idle_rad_s, engine.max_rad_s, _best_speed(layout))]
    edges = np.linspace(engine.idle_rad_s, engine.max_rad_s, lanes + 1)
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
        float(battery.energy_J(battery.soc_high)), battery.discharge_limit_W, battery.charge_limit_W,
        battery.discharge_limit_A, battery.charge_limit_A)


def _mode(c: Configuration) -> int:
    if c.engine is EngineState.STOPPED:
        return STOPPED
    return IDLING if c.idling else COUPLED


def _plant_arrays(layout: Layout, derivation: Derivation, nodes: tuple[Node, ...],
                  maps: tuple[TorqueMaps, ...]) -> PlantArrays:
    configurations = [derivation.configurations[n.configuration] for n in nodes]
    node_maps = [maps[n.configuration] for n in nodes]
    joints = lossy_joints(layout)
    column = {name: i for i, name in enumerate((*layout.shafts, "wheels"))}
    mesh_wheel, mesh_free = np.zeros((len(nodes), len(joints))), np.zeros((len(nodes), len(joints)))
    for t, c in enumerate(configurations):
        for g, joint in enumerate(joints):
            for shaft, coefficient in joint.relative:
                wheel, free = c.shaft_map[column[shaft]]
                mesh_wheel[t, g] += float(coefficient * wheel)
                mesh_free[t, g] += float(coefficient * free)
    inner = max([1, *(len(m.inner) for m in node_maps)])
    torque_map, first = _stack(maps, inner)
    engine = layout.engine.engine
    machines = _padded([m.machine for m in layout.machines])
    return PlantArrays(
        engine_mode=np.array([_mode(c) for c in configurations]),
        engine_free=np.array([m.engine_free for m in node_maps]),
        wheel_driven=np.array([c.wheel_driven for c in configurations]),
        has_free=np.array([n.high_rad_s > n.low_rad_s for n in nodes]),
        free_low=np.array([n.low_rad_s for n in nodes]), free_high=np.array([n.high_rad_s for n in nodes]),
        source_wheel=np.array([[float(w) for w, _ in c.speed_map] for c in configurations]),
        source_free=np.array([[float(f) for _, f in c.speed_map] for c in configurations]),
        mesh_wheel=mesh_wheel, mesh_free=mesh_free,
        kinetic_wheel=np.array([m.kinetic_wheel for m in node_maps]),
        kinetic_free=np.array([m.kinetic_free for m in node_maps]),
        mesh_loss=np.array([1.0 - j.efficiency for j in joints]),
        bits=np.array([len(m.loaded) for m in node_maps]), bit_mesh=_ragged([m.loaded for m in node_maps]),
        first_pattern=np.array([first[n.configuration] for n in nodes]), torque_map=torque_map,
        inner_count=np.array([len(m.inner) for m in node_maps]), inner_source=_ragged([m.inner for m in node_maps]),
        hold_W=np.array([c.hold_W for c in configurations]),
        engine_speed=engine.speed_rad_s, engine_torque=engine.torque_Nm,
        engine_fuel=np.ascontiguousarray(engine.fuel_g_s),
        engine_limit_speed=engine.limit_speed_rad_s, engine_full_load=engine.full_load_Nm,
        engine_idle=engine.idle_rad_s, engine_max=engine.max_rad_s,
        **machines, battery_gives_W=layout.battery.discharge_limit_W, battery_takes_W=layout.battery.charge_limit_W)


def _stack(maps: tuple[TorqueMaps, ...], inner: int) -> tuple[Array, list[int]]:
    """All torque maps in one array, inner torques padded, and where each configuration's patterns begin."""
    first, blocks, count = [], [], 0
    for m in maps:
        own = len(m.inner)
        block = np.zeros((m.matrices.shape[0], m.matrices.shape[1], 3 + inner))
        block[:, :, : 2 + own] = m.matrices[:, :, : 2 + own]
        block[:, :, -1] = m.matrices[:, :, -1]
        first.append(count)
        blocks.append(block)
        count += len(block)
    return np.concatenate(blocks), first


def _ragged(rows: list[tuple[int, ...]]) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
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


def _transition_arrays(layout: Layout, derivation: Derivation, nodes: tuple[Node, ...],
                       battery: BatteryArrays) -> NodeArrays:
    configurations = [derivation.configurations[n.configuration] for n in nodes]
    engine = layout.engine.engine
    _, v, rd, rc = state(battery, float(layout.battery.energy_J(layout.battery.soc_target)))
    wheel = np.array([[float(w) for w, _ in c.speed_map] for c in configurations])
    offset = np.array([[float(f) * n.reference_rad_s for _, f in c.speed_map]
                       for n, c in zip(nodes, configurations, strict=True)])
    return NodeArrays(
        source_wheel=wheel, source_offset=offset,
        engine_mode=np.array([_mode(c) for c in configurations]),
        has_free=np.array([n.high_rad_s > n.low_rad_s for n in nodes]),
        inertia=np.array([engine.inertia_kgm2, *(m.machine.inertia_kgm2 for m in layout.machines)]),
        crank_torque=engine.cranking_torque_Nm, crank_time=engine.cranking_time_s, start_fuel=engine.start_fuel_g,
        efficiency=SYNCHRONISATION_EFFICIENCY,
        pulse_out=electrochemical(PULSE_POWER_W, rd / v**2) / PULSE_POWER_W,
        pulse_in=-electrochemical(-PULSE_POWER_W, rc / v**2) / PULSE_POWER_W)
