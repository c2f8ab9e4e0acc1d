"""What it costs to pass from one node to another at a given wheel speed, rotor by rotor.

Machines synchronise their own rotors, over an efficiency in either direction. The engine is cranked from rest; between
two fixed ratios the engaging clutch slips (half J dw^2 lost, the rest exchanged with the driveline); where a machine
holds the engine (series, power split) that machine synchronises it. The battery pays, at its efficiency for a nominal
pulse.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numba
import numpy as np

from ems.kernels.jit import compiled, compiled_parallel
from ems.kernels.plant import IDLING, STOPPED


class NodeArrays(NamedTuple):
    """What transitions need of N nodes and S sources (engine first).

    source_wheel, source_offset : (N, S) speeds per wheel speed, and at the node's reference free speed [rad/s]
    engine_mode : (N,) STOPPED, COUPLED, IDLING      has_free : (N,) a machine holds the engine's speed
    inertia : (S,) [kg m2]
    crank_torque [N m], crank_time [s], start_fuel [g]
    efficiency : of a machine while it synchronises
    pulse_out, pulse_in : electrochemical over terminal energy of a nominal pulse out of and into the battery
    """

    source_wheel: Any
    source_offset: Any
    engine_mode: Any
    has_free: Any
    inertia: Any
    crank_torque: float
    crank_time: float
    start_fuel: float
    efficiency: float
    pulse_out: float
    pulse_in: float


class Exchange(NamedTuple):
    """Energies of one transition [J]: from the battery's store, at its terminals, lost in machines, clutches and
    engine, and gained by the rotors.

    stored = (stored - electric) lost in the battery + electric; electric = sum of the others.
    """

    stored: float
    electric: float
    machines: float
    clutches: float
    engine: float
    kinetic: float


@compiled
def _by_machine(work: float, efficiency: float) -> tuple[float, float]:
    """(electrical energy, loss) for mechanical work done by a machine, or taken back by it."""
    electric = work / efficiency if work > 0.0 else work * efficiency
    return electric, electric - work


@compiled
def exchange(n: NodeArrays, before: Any, after: Any, b: int, mode_before: int, held_before: bool) -> Exchange:
    """Energies of the change to node b; before, after : (S,) source speeds on either side."""
    electric, machines, clutches, engine, kinetic = 0.0, 0.0, 0.0, 0.0, 0.0
    for s in range(1, n.inertia.size):
        gain = 0.5 * n.inertia[s] * (after[s] ** 2 - before[s] ** 2)
        paid, lost = _by_machine(gain, n.efficiency)
        electric, machines, kinetic = electric + paid, machines + lost, kinetic + gain
    J, wa, wb = n.inertia[0], before[0], after[0]
    gain = 0.5 * J * (wb * wb - wa * wa)
    kinetic += gain
    if mode_before == STOPPED and n.engine_mode[b] != STOPPED:
        friction = n.crank_torque * 0.5 * wb * n.crank_time
        paid, lost = _by_machine(gain + friction, n.efficiency)
        electric, machines, engine = electric + paid, machines + lost, engine + friction
    elif n.engine_mode[b] == STOPPED or (n.engine_mode[b] == IDLING and wb < wa):
        engine -= gain                                # runs down by its own friction
    elif held_before or n.has_free[b]:
        paid, lost = _by_machine(gain, n.efficiency)
        electric, machines = electric + paid, machines + lost
    elif wa != wb:
        slip = 0.5 * J * (wb - wa) ** 2
        paid, lost = _by_machine(gain + slip, n.efficiency)
        electric, machines, clutches = electric + paid, machines + lost, clutches + slip
    stored = electric * (n.pulse_out if electric > 0.0 else n.pulse_in)
    return Exchange(stored, electric, machines, clutches, engine, kinetic)


@compiled
def speeds(n: NodeArrays, a: int, ww: float, out: Any) -> None:
    """Source speeds of node a at wheel speed ww, free speed at its reference."""
    for s in range(n.inertia.size):
        out[s] = n.source_wheel[a, s] * ww + n.source_offset[a, s]


@compiled
def transition(n: NodeArrays, a: int, b: int, ww: float, before: Any, after: Any) -> Exchange:
    """Energies of the change from node a to node b (a = -1: from rest, engine stopped, machines already at speed)."""
    speeds(n, b, ww, after)
    if a < 0:
        speeds(n, b, ww, before)
        before[0] = 0.0
        return exchange(n, before, after, b, STOPPED, False)
    if a == b:
        return Exchange(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    speeds(n, a, ww, before)
    return exchange(n, before, after, b, n.engine_mode[a], n.has_free[a])


@compiled_parallel
def stored_energies(n: NodeArrays, wheel_speed: Any, out: Any) -> None:
    """Energy every transition takes from the battery's store.

    wheel_speed : (K,) at the start of each interval      out : (K, N + 1, N), row N from rest [J]
    """
    nodes = n.engine_mode.size
    for k in numba.prange(wheel_speed.size):
        before, after = np.zeros(n.inertia.size), np.zeros(n.inertia.size)
        for a in range(nodes + 1):
            for b in range(nodes):
                out[k, a, b] = transition(n, a if a < nodes else -1, b, wheel_speed[k], before, after).stored
