"""What it costs to pass from one node to another at a given wheel speed, part by part.

Machines synchronise their own rotors and the shafts, over an efficiency in either direction. The engine is cranked from rest by the
machine that starts it, through a slipping clutch where that machine turns already (half J w^2 lost); between two fixed ratios the
engaging clutch slips (half J dw^2 lost, the rest exchanged with the driveline); where a machine holds the engine (series, power
split) that machine synchronises it.
The battery pays, at its efficiency for a nominal pulse. Where no machine drives, nothing is recovered.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from ems.kernels.jit import compiled_inline, compiled_shared
from ems.kernels.plant import IDLING, STOPPED

FROM_REST: Any = np.int64(-1)       # in place of a node


class NodeArrays(NamedTuple):
    """What transitions need of N nodes and S sources (engine first).

    source_wheel, source_offset : (N, S) speeds per wheel speed, and at the node's reference free speed [rad/s]
    own_kinetic : (N, 3) twice the shafts' own rotating energy, by wheel^2, 2 wheel free, free^2 [kg m2]
    reference, low, high : (N,) free speed at which energy is counted, and its range [rad/s]
    engine_mode : (N,) STOPPED, COUPLED, IDLING, DRAGGED      has_free : (N,) the engine's speed is a free choice
    slipping : (N,) a clutch slips between engine and wheels      inertia : (S,) [kg m2]
    starter : machine (0, 1, ..) that cranks the engine and synchronises it; -1 without machines
    crank_torque [N m], crank_time [s], start_fuel [g], ramp : most change of a free engine speed [rad/s2]
    efficiency, recovery : of a machine while it brings something up to speed, and down
    pulse_out, pulse_in : electrochemical over terminal energy of a nominal pulse out of and into the battery
    """

    source_wheel: Any
    source_offset: Any
    own_kinetic: Any
    reference: Any
    low: Any
    high: Any
    engine_mode: Any
    has_free: Any
    slipping: Any
    inertia: Any
    starter: int
    crank_torque: float
    crank_time: float
    start_fuel: float
    ramp: float
    efficiency: float
    recovery: float
    pulse_out: float
    pulse_in: float


class Exchange(NamedTuple):
    """Energies of one transition [J]: from the battery's store, at its terminals, lost in clutches and engine, gained by what turns.

    What the machines lose stands in an array of its own, (M,).
    stored = (stored - electric) lost in the battery + electric; electric = machines + clutches + engine + kinetic.
    """

    stored: float
    electric: float
    clutches: float
    engine: float
    kinetic: float


@compiled_inline
def _by_machine(n: NodeArrays, work: float) -> tuple[float, float]:
    """(electrical energy, loss) for mechanical work done by a machine, or taken back by it."""
    electric = work / n.efficiency if work > 0.0 else work * n.recovery
    return electric, electric - work


@compiled_inline
def _set_rotating(n: NodeArrays, a: int, ww: float, f: float, share: float, out: Any) -> None:
    """out (S + 2,): rotating energy of each source, and of the shafts themselves [J], and the engine's speed, in node a.

    f : free speed [rad/s]      share : of the sources' speed at the reference of the free speed
    """
    for s in range(n.inertia.size):
        w = n.source_wheel[a, s] * ww + share * n.source_offset[a, s]
        out[s] = 0.5 * n.inertia[s] * w * w
        if s == 0:
            out[n.inertia.size + 1] = w
    own = n.own_kinetic
    out[n.inertia.size] = 0.5 * (own[a, 0] * ww * ww + 2.0 * own[a, 1] * ww * f + own[a, 2] * f * f)


@compiled_inline
def set_rotating(n: NodeArrays, a: int, ww: float, out: Any) -> None:
    """What turns in node a at wheel speed ww, free speed at its reference; out as for ``_set_rotating``."""
    _set_rotating(n, a, ww, n.reference[a], 1.0, out)


@compiled_inline
def set_from_rest(n: NodeArrays, b: int, ww: float, out: Any) -> None:
    """What turns before node b is engaged from rest: what goes with the wheels, but not the engine."""
    _set_rotating(n, b, ww, 0.0, 0.0, out)
    out[0] = out[n.inertia.size + 1] = 0.0


@compiled_inline
def transition(n: NodeArrays, a: int, b: int, before: Any, after: Any, machines: Any) -> Exchange:
    """Energies of the change from node a to node b (a = -1: from rest).

    before, after : (S + 2,) of ``set_rotating``, before from ``set_from_rest`` where a = -1      machines : (M,) out, losses [J]
    """
    machines[:] = 0.0
    if a == b:
        return Exchange(0.0, 0.0, 0.0, 0.0, 0.0)
    sources = n.inertia.size
    mode_before, held_before, slipped_before = STOPPED, False, False
    if a >= 0:
        mode_before, held_before, slipped_before = n.engine_mode[a], n.has_free[a], n.slipping[a]
    electric, clutches, engine, kinetic = 0.0, 0.0, 0.0, 0.0
    for s in range(1, sources):
        gain = after[s] - before[s]
        paid, machines[s - 1] = _by_machine(n, gain)
        electric, kinetic = electric + paid, kinetic + gain
    wa, wb = before[sources + 1], after[sources + 1]
    gain, own_gain = after[0] - before[0], after[sources] - before[sources]
    kinetic += gain + own_gain
    work = own_gain                                   # done by the machine that synchronises
    if mode_before == STOPPED and n.engine_mode[b] != STOPPED:
        engine = n.crank_torque * 0.5 * wb * n.crank_time
        if n.starter >= 0 and before[n.starter + 1] > 0.0 and (n.slipping[b] or not n.has_free[b]):
            clutches = 0.5 * n.inertia[0] * wb * wb      # the starting machine turns already: a clutch slips until the engine does too
        work += gain + engine + clutches
    elif n.engine_mode[b] == STOPPED or (n.engine_mode[b] == IDLING and wb < wa):
        engine = -gain                                # runs down by its own friction
    elif (held_before and not slipped_before) or (n.has_free[b] and not n.slipping[b]):
        work += gain
    elif wa != wb:
        clutches = 0.5 * n.inertia[0] * (wb - wa) ** 2
        work += gain + clutches
    paid, lost = _by_machine(n, work)
    electric += paid
    if n.starter >= 0 and n.recovery > 0.0:
        machines[n.starter] += lost
    else:
        clutches += lost
    stored = electric * (n.pulse_out if electric > 0.0 else n.pulse_in)
    return Exchange(stored, electric, clutches, engine, kinetic)


@compiled_inline
def ramp_allows(n: NodeArrays, a: int, b: int, dt: float) -> bool:
    """Whether two ranges of a free engine speed lie near enough to pass from one to the other in an interval."""
    if not (n.has_free[a] and n.has_free[b]):
        return True
    apart = max(n.low[b] - n.high[a], n.low[a] - n.high[b], 0.0)
    return apart <= n.ramp * dt


def make_scratch(n: NodeArrays) -> tuple[Any, Any, Any]:
    """What turns in every node (N, S + 2) and from rest (S + 2,), losses of the machines (M,)."""
    return np.zeros((n.engine_mode.size, n.inertia.size + 2)), np.zeros(n.inertia.size + 2), np.zeros(n.inertia.size - 1)


@compiled_shared
def stored_energies(begin: int, end: int, n: NodeArrays, wheel_speed: Any, dt: Any, count: Any, out: Any, live: Any, rotating: Any,
                    rest: Any, machines: Any) -> None:
    """Energy every possible transition takes from the battery's store.

    wheel_speed : (K,) at the start of each interval      dt : (K,) [s]      count : (K, N) points, 0 where not possible
    out : (K, N + 1, N), row N from rest [J]      live : (K, N + 1, N) out, whether both nodes are possible and the engine's ramp allows it
    rotating, rest, machines : of ``make_scratch``
    """
    nodes = n.engine_mode.size
    for k in range(begin, end):
        for a in range(nodes):
            set_rotating(n, a, wheel_speed[k], rotating[a])
        live[k] = False
        for a in range(nodes + 1):
            if (a == nodes) != (k == 0) or (a < nodes and count[k - 1, a] == 0):
                continue
            for b in range(nodes):
                if count[k, b] > 0 and (a == nodes or ramp_allows(n, a, b, dt[k])):
                    live[k, a, b] = True
                    if a == nodes:
                        set_from_rest(n, b, wheel_speed[k], rest)
                        out[k, a, b] = transition(n, FROM_REST, b, rest, rotating[b], machines).stored
                    elif a != b:
                        out[k, a, b] = transition(n, a, b, rotating[a], rotating[b], machines).stored
