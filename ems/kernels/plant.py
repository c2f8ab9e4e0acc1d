"""One evaluation of the plant: from a choice to fuel rate, battery terminal power and every torque.

Torques follow from static balance with mesh losses at the driven member. For a given set of power-flow directions the
balance is linear; ``torque_map`` holds one matrix a *pattern* of directions, and the pattern is found as a fixed point.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from ems.kernels.jit import compiled, compiled_inline, compiled_within
from ems.kernels.lookup import at, row_at

# Why a choice is impossible: code = LIMIT * STRIDE + source (0 the engine, 1.. the machines), speed limit, load limit or axle.
STRIDE = 64
OK, ENGINE_SLOW, ENGINE_FAST, ENGINE_TORQUE, ENGINE_DRIVEN, MACHINE_SPEED, MACHINE_TORQUE = range(7)
BATTERY_GIVES, BATTERY_TAKES, NO_DRIVE, UNSETTLED, SPEED, LOAD, MACHINE_DRIVES, AXLE = range(7, 15)

STOPPED, COUPLED, IDLING, DRAGGED = 0, 1, 2, 3      # dragged: turned with fuel cut
SLACK = 1e-9                        # relative, on every limit


class PlantArrays(NamedTuple):
    """What a choice is judged by: T tables, S sources (engine first), M machines, G told joints, I inner torques, D drags.

    Told joints are those that lose power or have a limit on their load.

    engine_mode : (T,) STOPPED, COUPLED, IDLING, DRAGGED      engine_free : (T,) engine torque is a free choice
    wheel_driven : (T,)      wheel_free : (T,) the wheel torque is an input; where not, it follows from the others
    has_free : (T,) engine speed is a free choice
    free_low, free_high, reference : (T,) range of the free engine speed, and the speed at which its energy is counted [rad/s]
    source_wheel, source_free : (T, S) speeds per wheel speed and per free speed; mesh_wheel, mesh_free : (T, G) alike
    kinetic_wheel, kinetic_free : (T,) rotating kinetic energy grows at alpha * (kinetic_wheel * w + kinetic_free * f)
    mesh_loss : (G,) 1 - efficiency; bits : (T,), bit_mesh : (T, B) meshes that carry load; first_pattern : (T,)
    torque_map : (patterns, S + 1 + G, 3 + I + D) from (wheel torque, engine torque, inner torques, wheel acceleration, drags)
                 to (source torques, wheel torque, loads of told joints)
    inner_count : (T,), inner_source : (T, I) machines whose torque is a free choice
    hold_W : (T,) actuators, pumps, machines standing by
    drag_count : (T,), drag : (T, D, 4) speed per wheel and per free speed, constant [N m] and viscous [N m s] torque
    speed_count : (T,), speed_limit : (T, L, 4) speed per wheel and per free speed, low and high [rad/s]
    load_count : (T,), load_joint : (T, L) told joint, load_limit : (T, L, 3) factor, low and high [N m]
    axle_joint : (A,) told joint of each axle whose braking is limited (no axles: none is)
    slip_joint : (T,) told joint of the slipping clutch or -1; slip : (T, 3) its speed per wheel and free speed, torque per load
    motoring_speed, motoring_drag : engine turned without fuel      machine_drives : (M,) may give mechanical power
    reserve : (T, M) torque kept for starting the engine [N m]
    engine_* and machine_* : maps on their grids, machines padded to a common size with their own counts
    battery_gives_W, battery_takes_W : terminal power limits, both positive
    """

    engine_mode: Any
    engine_free: Any
    wheel_driven: Any
    wheel_free: Any
    has_free: Any
    free_low: Any
    free_high: Any
    reference: Any
    source_wheel: Any
    source_free: Any
    mesh_wheel: Any
    mesh_free: Any
    kinetic_wheel: Any
    kinetic_free: Any
    mesh_loss: Any
    bits: Any
    bit_mesh: Any
    first_pattern: Any
    torque_map: Any
    inner_count: Any
    inner_source: Any
    hold_W: Any
    drag_count: Any
    drag: Any
    speed_count: Any
    speed_limit: Any
    load_count: Any
    load_joint: Any
    load_limit: Any
    axle_joint: Any
    slip_joint: Any
    slip: Any
    motoring_speed: Any
    motoring_drag: Any
    machine_drives: Any
    reserve: Any
    engine_speed: Any
    engine_torque: Any
    engine_fuel: Any
    engine_limit_speed: Any
    engine_full_load: Any
    engine_idle: float
    engine_max: float
    machine_speed: Any
    machine_torque: Any
    machine_loss: Any
    machine_speed_count: Any
    machine_torque_count: Any
    machine_limit_speed: Any
    machine_peak: Any
    machine_limit_count: Any
    machine_max: Any
    battery_gives_W: float
    battery_takes_W: float


class Bench(NamedTuple):
    """Scratch memory of one thread: arrays as in ``Cut``, written anew for every pair of speeds."""

    x: Any
    out: Any
    speed: Any
    mesh_speed: Any
    limit: Any
    loss_row: Any
    fuel_row: Any
    pattern: Any
    base: Any
    gain: Any
    still: Any
    known: Any


class Cut(NamedTuple):
    """The plant cut at one table, wheel speed and free speed: all a torque choice is judged by (small, cheap to pass).

    x : (3 + I + D,) inputs of the torque map, the first ``fixed`` of them torques to choose; out : (S + 1 + G,) its outputs
    speed : (S,); mesh_speed : (G,)
    limit : (S,) largest torque, loss_row : (M, Q) machine losses, fuel_row : (Qe,) fuel rates, all at this speed
    torque_axis, torque_count : (M, Q), (M,) of ``loss_row``; fuel_axis : (Qe,) of ``fuel_row``
    maps : (patterns, S + 1 + G, 3 + I); bit_mesh : (bits,) loaded meshes; inner_source : (inner,)
    pattern : (1,) last pattern of directions, a good first guess for the next
    base, gain : (S + 1 + G,) outputs along a line in one input, see ``set_line``
    still : (patterns, S + 1 + G) part of the outputs that no choice changes (acceleration, drags), where ``known`` : (patterns,)
    load_joint, load_limit : limits on loads of told joints; axle_joint, axle_least : (A,) least torque of axles [N m]
    drives : (M,); engine_torque : of an engine turned without fuel [N m]
    mode : STOPPED, COUPLED, IDLING, DRAGGED; base_W : auxiliaries and hold power; gives_W, takes_W : limits
    code : limit broken, or OK
    """

    x: Any
    out: Any
    speed: Any
    mesh_speed: Any
    limit: Any
    loss_row: Any
    fuel_row: Any
    pattern: Any
    base: Any
    gain: Any
    still: Any
    known: Any
    torque_axis: Any
    torque_count: Any
    fuel_axis: Any
    maps: Any
    bit_mesh: Any
    inner_source: Any
    load_joint: Any
    load_limit: Any
    axle_joint: Any
    axle_least: Any
    drives: Any
    fixed: int
    engine_torque: float
    mode: int
    base_W: float
    gives_W: float
    takes_W: float
    code: int


def make_bench(plant: PlantArrays) -> Bench:
    """Scratch memory for one thread."""
    sources, meshes, outputs = plant.source_wheel.shape[1], plant.mesh_wheel.shape[1], plant.torque_map.shape[1]
    patterns = 1 << int(plant.bits.max(initial=0))
    return Bench(np.zeros(plant.torque_map.shape[2]), np.zeros(outputs), np.zeros(sources), np.zeros(meshes), np.zeros(sources),
                 np.zeros((sources - 1, plant.machine_torque.shape[1])), np.zeros(plant.engine_torque.size), np.zeros(1, np.int64),
                 np.zeros(outputs), np.zeros(outputs), np.zeros((patterns, outputs)), np.zeros(patterns, np.bool_))


@compiled
def _set_speeds(plant: PlantArrays, bench: Bench, t: int, ww: float, f: float) -> int:
    """Speeds of all sources and joints, and the maps at these speeds, into the bench. OK, or the limit broken."""
    sources = plant.source_wheel.shape[1]
    for s in range(sources):
        bench.speed[s] = plant.source_wheel[t, s] * ww + plant.source_free[t, s] * f
    for g in range(plant.mesh_wheel.shape[1]):
        bench.mesh_speed[g] = plant.mesh_wheel[t, g] * ww + plant.mesh_free[t, g] * f
    bench.pattern[0] = 0
    mode = plant.engine_mode[t]
    if mode != STOPPED:
        w = bench.speed[0]
        if mode != DRAGGED and w < plant.engine_idle * (1.0 - SLACK):
            return ENGINE_SLOW * STRIDE
        if w > plant.engine_max * (1.0 + SLACK):
            return ENGINE_FAST * STRIDE
    for q in range(plant.speed_count[t]):
        w = plant.speed_limit[t, q, 0] * ww + plant.speed_limit[t, q, 1] * f
        if not plant.speed_limit[t, q, 2] - SLACK * (1.0 + abs(w)) <= w <= plant.speed_limit[t, q, 3] + SLACK * (1.0 + abs(w)):
            return SPEED * STRIDE + q
    if mode in (COUPLED, IDLING):
        row_at(plant.engine_speed, plant.engine_speed.size, plant.engine_fuel, plant.engine_torque.size, bench.speed[0],
               bench.fuel_row)
        bench.limit[0] = at(plant.engine_limit_speed, plant.engine_limit_speed.size, plant.engine_full_load, bench.speed[0])
    for m in range(sources - 1):
        w = abs(bench.speed[m + 1])
        if w > plant.machine_max[m] * (1.0 + SLACK):
            return MACHINE_SPEED * STRIDE + m + 1
        row_at(plant.machine_speed[m], plant.machine_speed_count[m], plant.machine_loss[m],
               plant.machine_torque_count[m], w, bench.loss_row[m])
        peak = at(plant.machine_limit_speed[m], plant.machine_limit_count[m], plant.machine_peak[m], w)
        bench.limit[m + 1] = max(peak - plant.reserve[t, m], 0.0)
    return OK


@compiled_within
def make_cut(plant: PlantArrays, bench: Bench, t: int, ww: float, f: float, alpha: float, auxiliary_W: float,
             axle_least: Any) -> Cut:
    """The plant at these speeds, wheel acceleration alpha set; ``code`` tells whether the speeds are possible.

    Rotating energy is counted at the reference of a free speed, here as in the transitions, so that none comes from nowhere:
    the battery pays the difference.
    axle_least : (A,) least torque the axles may take while braking [N m]
    """
    code = _set_speeds(plant, bench, t, ww, f)
    first, bits = plant.first_pattern[t], plant.bits[t]
    fixed = 2 + plant.inner_source.shape[1]
    bench.x[:] = 0.0
    bench.out[:] = 0.0
    bench.known[:] = False
    bench.x[fixed] = alpha
    for d in range(plant.drag_count[t]):
        w = plant.drag[t, d, 0] * ww + plant.drag[t, d, 1] * f
        size = plant.drag[t, d, 2] + plant.drag[t, d, 3] * abs(w)
        bench.x[fixed + 1 + d] = size if w > 0.0 else -size if w < 0.0 else 0.0
    engine_torque = 0.0
    if plant.engine_mode[t] == DRAGGED:
        engine_torque = -at(plant.motoring_speed, plant.motoring_speed.size, plant.motoring_drag, bench.speed[0])
    loads = plant.load_count[t]
    return Cut(bench.x, bench.out, bench.speed, bench.mesh_speed, bench.limit, bench.loss_row, bench.fuel_row,
               bench.pattern, bench.base, bench.gain, bench.still, bench.known,
               plant.machine_torque, plant.machine_torque_count, plant.engine_torque,
               plant.torque_map[first:first + (1 << bits)], plant.bit_mesh[t, :bits],
               plant.inner_source[t, :plant.inner_count[t]], plant.load_joint[t, :loads], plant.load_limit[t, :loads],
               plant.axle_joint, axle_least, plant.machine_drives, fixed, engine_torque,
               plant.engine_mode[t], auxiliary_W + plant.hold_W[t] + alpha * plant.kinetic_free[t] * (plant.reference[t] - f),
               plant.battery_gives_W, plant.battery_takes_W, code)


@compiled
def _know(cut: Cut, pattern: int) -> None:
    """Notes the part of every output that no choice of torques changes."""
    cut.known[pattern] = True
    for r in range(cut.out.size):
        cut.still[pattern, r] = 0.0
        for i in range(cut.fixed, cut.x.size):
            cut.still[pattern, r] += cut.maps[pattern, r, i] * cut.x[i]


@compiled_inline
def _output(cut: Cut, pattern: int, r: int) -> float:
    """Output r for the inputs in ``cut.x``, pattern known."""
    value = cut.still[pattern, r]
    for i in range(cut.fixed):
        value += cut.maps[pattern, r, i] * cut.x[i]
    return value


@compiled_inline
def set_torques(cut: Cut) -> bool:
    """Every torque and every load that is judged for the inputs in ``cut.x``; False when no directions of power flow agree with
    themselves."""
    loads = cut.speed.size + 1
    pattern = cut.pattern[0]
    settled = False
    for _ in range(12):
        if not cut.known[pattern]:
            _know(cut, pattern)
        flips = 0
        for b in range(cut.bit_mesh.size):
            g = cut.bit_mesh[b]
            load = _output(cut, pattern, loads + g)
            cut.out[loads + g] = load
            flow = load * cut.mesh_speed[g]
            forward = (pattern >> b) & 1
            if (flow < 0.0 and forward == 0) or (flow > 0.0 and forward == 1):
                flips |= 1 << b
        if flips == 0:
            settled = True
            break
        pattern ^= flips
    if not cut.known[pattern]:
        _know(cut, pattern)
    cut.pattern[0] = pattern
    for s in range(loads):
        cut.out[s] = _output(cut, pattern, s)
    for q in range(cut.load_joint.size):
        cut.out[loads + cut.load_joint[q]] = _output(cut, pattern, loads + cut.load_joint[q])
    for a in range(cut.axle_joint.size):
        cut.out[loads + cut.axle_joint[a]] = _output(cut, pattern, loads + cut.axle_joint[a])
    return settled


@compiled_inline
def machine_loss(cut: Cut, m: int, torque: float) -> float:
    """Loss of machine m with inverter at the speed cut [W]; negative speeds mirror the map."""
    T = torque if cut.speed[m + 1] >= 0.0 else -torque
    return at(cut.torque_axis[m], cut.torque_count[m], cut.loss_row[m], T)


@compiled_inline
def set_line(cut: Cut, column: int) -> None:
    """Notes how every output depends on one input, from the torques that are set: linear while no power flow turns round."""
    pattern = cut.pattern[0]
    for r in range(cut.out.size):
        cut.gain[r] = cut.maps[pattern, r, column]
        cut.base[r] = cut.out[r] - cut.gain[r] * cut.x[column]


@compiled_inline
def set_torques_on_line(cut: Cut, column: int, value: float) -> bool:
    """``set_torques`` for one changed input, by the line that was noted; where a power flow turns round, a new line is noted."""
    cut.x[column] = value
    sources = cut.speed.size
    pattern = cut.pattern[0]
    same = True
    for b in range(cut.bit_mesh.size):
        g = cut.bit_mesh[b]
        flow = (cut.base[sources + 1 + g] + cut.gain[sources + 1 + g] * value) * cut.mesh_speed[g]
        same = same and (flow == 0.0 or (flow > 0.0) != ((pattern >> b) & 1 == 1))
    if same:
        for s in range(sources + 1):
            cut.out[s] = cut.base[s] + cut.gain[s] * value
        for q in range(cut.load_joint.size):
            r = sources + 1 + cut.load_joint[q]
            cut.out[r] = cut.base[r] + cut.gain[r] * value
        for a in range(cut.axle_joint.size):
            r = sources + 1 + cut.axle_joint[a]
            cut.out[r] = cut.base[r] + cut.gain[r] * value
        return True
    settled = set_torques(cut)
    set_line(cut, column)
    return settled


@compiled_inline
def terminal_power(cut: Cut) -> tuple[float, int]:
    """Battery terminal power for the inputs in ``cut.x``, and OK or the limit that is broken (power then inf)."""
    if not set_torques(cut):
        return math.inf, UNSETTLED * STRIDE
    return judged_power(cut)


@compiled
def load_of(cut: Cut, g: int) -> float:
    """Load of told joint g [N m] for the inputs and directions that are set."""
    return _output(cut, cut.pattern[0], cut.speed.size + 1 + g)


@compiled_inline
def _broken_load(cut: Cut) -> int:
    """The first limit on a joint's load, or on an axle's braking, that is broken; OK when none is."""
    loads = cut.speed.size + 1
    for q in range(cut.load_joint.size):
        load = cut.load_limit[q, 0] * cut.out[loads + cut.load_joint[q]]
        if not cut.load_limit[q, 1] - SLACK * (1.0 + abs(load)) <= load <= cut.load_limit[q, 2] + SLACK * (1.0 + abs(load)):
            return LOAD * STRIDE + q
    for a in range(cut.axle_joint.size):
        torque = -cut.out[loads + cut.axle_joint[a]]
        if torque < cut.axle_least[a] - SLACK * (1.0 + abs(torque)):
            return AXLE * STRIDE + a
    return OK


@compiled_inline
def broken_engine(cut: Cut) -> int:
    """The limit that the torque of a coupled engine breaks; OK when none."""
    if cut.mode == COUPLED:
        if cut.out[0] > cut.limit[0] * (1.0 + SLACK):
            return ENGINE_TORQUE * STRIDE
        if cut.out[0] < -SLACK:
            return ENGINE_DRIVEN * STRIDE
    return OK


@compiled_inline
def broken_machine(cut: Cut, m: int) -> int:
    """The limit that the torque of machine m breaks; OK when none."""
    if abs(cut.out[m + 1]) > cut.limit[m + 1] * (1.0 + SLACK) + SLACK:
        return MACHINE_TORQUE * STRIDE + m + 1
    if not cut.drives[m] and cut.out[m + 1] * cut.speed[m + 1] > SLACK:
        return MACHINE_DRIVES * STRIDE + m + 1
    return OK


@compiled_inline
def judged_power(cut: Cut) -> tuple[float, int]:
    """Battery terminal power for the torques in ``cut.out``, and OK or the limit that is broken (power then inf)."""
    code = broken_engine(cut)
    if code == OK and cut.load_joint.size + cut.axle_joint.size > 0:
        code = _broken_load(cut)
    if code != OK:
        return math.inf, code
    P = cut.base_W
    for m in range(cut.loss_row.shape[0]):
        code = broken_machine(cut, m)
        if code != OK:
            return math.inf, code
        P += cut.out[m + 1] * cut.speed[m + 1] + machine_loss(cut, m, cut.out[m + 1])
    if P > cut.gives_W * (1.0 + SLACK):
        return math.inf, BATTERY_GIVES * STRIDE
    if P < -cut.takes_W * (1.0 + SLACK):
        return math.inf, BATTERY_TAKES * STRIDE
    return P, OK


@compiled_inline
def fuel_rate(cut: Cut) -> float:
    """Fuel rate at the engine speed cut and the torque set [g/s]; nothing when stopped or turned without fuel."""
    if cut.mode == STOPPED or cut.mode == DRAGGED:
        return 0.0
    return at(cut.fuel_axis, cut.fuel_axis.size, cut.fuel_row, cut.out[0] if cut.mode == COUPLED else 0.0)


@compiled
def free_range(plant: PlantArrays, t: int, ww: float) -> tuple[float, float]:
    """Range of the free engine speed in which every speed limit holds at this wheel speed (empty: low > high)."""
    low, high = plant.free_low[t], plant.free_high[t]
    if plant.has_free[t]:
        for q in range(plant.speed_count[t]):
            a, b = plant.speed_limit[t, q, 0] * ww, plant.speed_limit[t, q, 1]
            if b > 0.0:
                low, high = max(low, (plant.speed_limit[t, q, 2] - a) / b), min(high, (plant.speed_limit[t, q, 3] - a) / b)
            elif b < 0.0:
                low, high = max(low, (plant.speed_limit[t, q, 3] - a) / b), min(high, (plant.speed_limit[t, q, 2] - a) / b)
    return low, high
