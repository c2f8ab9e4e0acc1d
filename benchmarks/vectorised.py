"""Dynamic programming in NumPy as lecture notes teach it: the plant on arrays of controls, then battery nodes times controls.

Nothing here is compiled and nothing is reduced: every combination of the free choices on an even grid, at every battery node, in every
interval. What lecture notes also do is done: maps are interpolated once per control (not once per battery node), combinations that break
a limit are dropped before they meet the battery nodes, and work is cut into blocks that stay in the processor's cache. The formulas of
the plant are written a second time on purpose; ``tests/opinions`` holds them against the kernels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np

from ems.kernels.changes import Changes
from ems.kernels.plant import COUPLED, DRAGGED, IDLING, SLACK, STOPPED, free_range
from ems.kernels.transitions import make_scratch, stored_energies
from ems.plant.counters import NO_WAITS, counted_states
from ems.plant.plant import Plant
from ems.solve.problem import fixed_costs
from ems.tables.build import Tables, axle_least_Nm
from ems.trips.demand import Demand

HUGE = 1e12
BLOCK = 65_536              # elements of a block of controls times battery nodes
PENALTY = 5.0               # costates by which missing the target or leaving the window is priced


class Controls(NamedTuple):
    """Possible controls of one interval: node (m,), fuel rate [g/s] (m,), terminal power [W] (m,), choice (m, 3 + I), sorted by node.

    begin : (N + 1,) controls ``begin[n]`` to ``begin[n + 1] - 1`` are node n's
    """

    fuel_g_s: np.ndarray
    power_W: np.ndarray
    choice: np.ndarray
    begin: np.ndarray


class Supply(Protocol):
    """Where the controls of an interval come from."""

    def __call__(self, k: int) -> Controls: ...


class Steps(NamedTuple):
    """Points on each axis of the control grid."""

    free_points: int
    torque_points: int
    inner_points: int
    brake_points: int


# -- the plant on arrays -----------------------------------------------------------------------------------------------


def bilinear(x_axis: np.ndarray, y_axis: np.ndarray, table: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Table at (x, y), linear between its grid lines and constant beyond them; x (m,), or (1,) where it is the same for all y."""
    if x.size == 1:
        i, u = _cell(x_axis, x)
        return np.interp(y, y_axis, table[i[0]] + u[0] * (table[i[0] + 1] - table[i[0]]))
    i, u = _cell(x_axis, x)
    j, v = _cell(y_axis, y)
    flat, place = table.reshape(-1), i * y_axis.size + j
    low, high = flat.take(place), flat.take(place + y_axis.size)
    low += v * (flat.take(place + 1) - low)
    high += v * (flat.take(place + y_axis.size + 1) - high)
    return low + u * (high - low)


def _cell(axis: np.ndarray, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    i = np.minimum(np.maximum(np.searchsorted(axis, x, side="right") - 1, 0), axis.size - 2)
    return i, np.minimum(np.maximum((x - axis[i]) / (axis[i + 1] - axis[i]), 0.0), 1.0)


def evaluate(plant: Plant, t: int, ww: float, alpha: float, auxiliary_W: float, x: np.ndarray, f: np.ndarray,
             demand_Nm: float, axle_least: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """What choices do: (possible, fuel rate [g/s], terminal power [W], wheel torque [N m]), each (m,).

    t : node
    x : (3 + I + D, m) wheel torque, engine torque, inner torques, wheel acceleration, drags
    f : (m,) free speed [rad/s]; (1,): all the same      axle_least : (A,) least torque of the axles whose braking is limited [N m]
    """
    a = plant.arrays
    sources = a.source_wheel.shape[1]
    speed = a.source_wheel[t][:, None] * ww + a.source_free[t][:, None] * f
    out, possible = _torques(plant, t, x, a.mesh_wheel[t][:, None] * ww + a.mesh_free[t][:, None] * f)
    fuel = np.zeros(x.shape[1])
    mode = a.engine_mode[t]
    if mode != STOPPED:
        possible &= speed[0] <= a.engine_max * (1 + SLACK)
        possible &= (speed[0] >= a.engine_idle * (1 - SLACK)) | (mode == DRAGGED)
    if mode in (COUPLED, IDLING):
        torque = out[0] if mode == COUPLED else np.zeros(x.shape[1])
        possible &= torque <= np.interp(speed[0], a.engine_limit_speed, a.engine_full_load) * (1 + SLACK)
        possible &= torque >= -SLACK
        fuel = bilinear(a.engine_speed, a.engine_torque, a.engine_fuel, speed[0], torque)
    for per_wheel, per_free, low, high in a.speed_limit[t, :a.speed_count[t]]:
        possible &= _within(per_wheel * ww + per_free * f, low, high)
    for q in range(a.load_count[t]):
        factor, low, high = a.load_limit[t, q]
        possible &= _within(factor * out[sources + 1 + a.load_joint[t, q]], low, high)
    for joint, least in zip(a.axle_joint, axle_least, strict=True):
        possible &= _within(-out[sources + 1 + joint], least, np.inf)
    power = auxiliary_W + a.hold_W[t] + alpha * a.kinetic_free[t] * (a.reference[t] - f) + np.zeros(x.shape[1])
    for m in range(sources - 1):
        w, torque = np.abs(speed[m + 1]), out[m + 1]
        n, q, p = a.machine_speed_count[m], a.machine_torque_count[m], a.machine_limit_count[m]
        peak = np.interp(w, a.machine_limit_speed[m, :p], a.machine_peak[m, :p])
        peak = np.maximum(peak - a.reserve[t, m], 0.0)
        possible &= (w <= a.machine_max[m] * (1 + SLACK)) & (np.abs(torque) <= peak * (1 + SLACK) + SLACK)
        possible &= a.machine_drives[m] | (torque * speed[m + 1] <= SLACK)
        mirrored = np.where(speed[m + 1] >= 0.0, torque, -torque)
        power += torque * speed[m + 1]
        power += bilinear(a.machine_speed[m, :n], a.machine_torque[m, :q], a.machine_loss[m, :n, :q], w, mirrored)
    possible &= (power <= a.battery_gives_W * (1 + SLACK)) & (power >= -a.battery_takes_W * (1 + SLACK))
    possible &= out[sources] >= demand_Nm - 1e-9 * (1 + abs(demand_Nm))
    return possible, fuel, power, out[sources]


def _within(value: np.ndarray, low: float, high: float) -> np.ndarray:
    slack = SLACK * (1 + np.abs(value))
    return (value >= low - slack) & (value <= high + slack)


def _torques(plant: Plant, t: int, x: np.ndarray, mesh_speed: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """((S + 1 + G, m) torques and mesh loads, (m,) whether a pattern of power-flow directions agrees with itself).

    x : (3 + I + D, m) inputs      mesh_speed : (G, m) or (G, 1)
    """
    a, bits = plant.arrays, int(plant.arrays.bits[t])
    sources, first = a.source_wheel.shape[1], int(a.first_pattern[t])
    out, pattern = a.torque_map[first] @ x, np.zeros(x.shape[1], np.int64)
    for _ in range(12):
        flips = np.zeros(x.shape[1], np.int64)
        for b in range(bits):
            flow = out[sources + 1 + a.bit_mesh[t, b]] * mesh_speed[a.bit_mesh[t, b]]
            forward = (pattern >> b) & 1
            flips |= (((flow < 0.0) & (forward == 0)) | ((flow > 0.0) & (forward == 1))).astype(np.int64) << b
        wrong = np.flatnonzero(flips)
        if not wrong.size:
            break
        pattern[wrong] ^= flips[wrong]
        for p in np.unique(pattern[wrong]):
            own = wrong[pattern[wrong] == p]
            out[:, own] = a.torque_map[first + p] @ x[:, own]
    return out, flips == 0


@dataclass(frozen=True, slots=True)
class AllCombinations:
    """Every combination of free engine speed, engine torque, machine torque and share of the friction brakes on an even grid."""

    plant: Plant
    demand: Demand
    steps: Steps

    def __call__(self, k: int) -> Controls:
        plant, demand = self.plant, self.demand
        radius = plant.layout.vehicle.wheel_radius_m
        ww, alpha = demand.speed_m_s[k] / radius, demand.acceleration_m_s2[k] / radius
        Tw, auxiliary = demand.force_N[k] * radius, demand.auxiliary_W[k]
        axle_least = axle_least_Nm(plant, np.array([ww]), np.array([Tw]))[0]
        fixed = 2 + plant.arrays.inner_source.shape[1]
        fuels, powers, choices, begin = [], [], [], [0]
        for t in range(len(plant.nodes)):
            found = 0
            if plant.arrays.wheel_driven[t] or Tw <= 0.0:
                f, x = self._grid(t, ww, alpha, Tw, axle_least)
                possible, fuel, power, wheel = evaluate(plant, t, ww, alpha, auxiliary, x, f, Tw, axle_least)
                fuels.append(fuel[possible])
                powers.append(power[possible])
                choices.append(np.column_stack([np.broadcast_to(f, wheel.shape), wheel, *x[1:fixed]])[possible])
                found = fuels[-1].size
            begin.append(begin[-1] + found)
        return Controls(np.concatenate(fuels), np.concatenate(powers), np.concatenate(choices), np.array(begin))

    def _grid(self, t: int, ww: float, alpha: float, Tw: float, axle_least: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Free speed (m,) or (1,) and inputs (3 + I, m) of every combination; brakes are used with the engine giving no torque.

        The largest share of a braking torque is what a single axle may take.
        """
        a, steps = self.plant.arrays, self.steps
        free = np.linspace(*free_range(a, t, ww), steps.free_points) if a.has_free[t] else np.array([a.free_low[t]])
        coupled = a.engine_mode[t] == COUPLED and a.engine_free[t]
        engine = np.linspace(0.0, 1.0, steps.torque_points) if coupled else np.zeros(1)
        inner = [np.linspace(-1.0, 1.0, steps.inner_points)] * int(a.inner_count[t])
        braking = Tw < 0.0 and a.wheel_free[t]
        most = np.clip(axle_least[0] / Tw, 0.0, 1.0) if braking and axle_least.size == 1 else 1.0
        rows = _product(free, engine, np.full(1, most), *inner)
        if braking:
            rows = np.hstack([rows, _product(free, np.zeros(1), np.linspace(0.0, most, steps.brake_points)[:-1], *inner)])
        x = np.zeros((a.torque_map.shape[2], rows.shape[1]))
        f = free if free.size == 1 else rows[0]
        x[0] = Tw * rows[2]
        speed = a.source_wheel[t][:, None] * ww + a.source_free[t][:, None] * f
        if coupled:
            x[1] = rows[1] * np.interp(speed[0], a.engine_limit_speed, a.engine_full_load)
        for i in range(len(inner)):
            m = int(a.inner_source[t, i]) - 1
            p = a.machine_limit_count[m]
            x[2 + i] = rows[3 + i] * np.interp(np.abs(speed[m + 1]), a.machine_limit_speed[m, :p], a.machine_peak[m, :p])
        if a.engine_mode[t] == DRAGGED:
            x[1] = -np.interp(speed[0], a.motoring_speed, a.motoring_drag)
        fixed = 2 + a.inner_source.shape[1]
        x[fixed] = alpha
        for d, (per_wheel, per_free, constant, viscous) in enumerate(a.drag[t, :a.drag_count[t]]):
            w = per_wheel * ww + per_free * f
            x[fixed + 1 + d] = np.sign(w) * (constant + viscous * np.abs(w))
        return f, x


@dataclass
class Remembered:
    """A supply whose controls are kept for the forward pass while they fit."""

    supply: Supply
    room_bytes: float = 4e8

    def __post_init__(self) -> None:
        self.kept: dict[int, Controls] = {}

    def __call__(self, k: int) -> Controls:
        if k in self.kept:
            return self.kept[k]
        controls = self.supply(k)
        self.room_bytes -= sum(a.nbytes for a in controls)
        if self.room_bytes > 0.0:
            self.kept[k] = controls
        return controls


def _product(*axes: np.ndarray) -> np.ndarray:
    return np.stack([g.reshape(-1) for g in np.meshgrid(*axes, indexing="ij")])


@dataclass(frozen=True, slots=True)
class FrontierPoints:
    """The points of frontier tables as controls: what remains of all combinations once reduced."""

    tables: Tables

    def __call__(self, k: int) -> Controls:
        t, u = self.tables, self.tables.demand_of[k]
        index = np.concatenate([np.arange(a, a + n) for a, n in zip(t.first[u], t.count[u], strict=True)])
        return Controls(t.fuel_g_s[index], t.power_W[index], t.choice[index], np.append(0, np.cumsum(t.count[u])))


# -- the sweep ---------------------------------------------------------------------------------------------------------


def every_change(plant: Plant, demand: Demand) -> Changes:
    """Costs of every change that the engine's ramp allows, whatever a table may know of the nodes."""
    N, K = len(plant.nodes), demand.dt_s.size
    wheel_speed = demand.boundary_speed_m_s[:-1] / plant.layout.vehicle.wheel_radius_m
    stored, live = np.zeros((K, N + 1, N)), np.empty((K, N + 1, N), bool)
    stored_energies(0, K, plant.transitions, wheel_speed, demand.dt_s, np.ones((K, N), np.int64), stored, live,
                    *make_scratch(plant.transitions))
    fuel, price = fixed_costs(plant)
    return Changes(fuel + price, stored, live, *counted_states(plant, NO_WAITS))


class Trip(NamedTuple):
    """A trip driven by the policy: node (K,), choice (K, 3 + I), stored energy (K + 1,) [J], fuel and prices [g], controls seen in all."""

    node: np.ndarray
    choice: np.ndarray
    energy_J: np.ndarray
    objective_g: float
    transitions: int


class Sweep:
    """Backward over battery nodes times controls, forward with continuous energy, for any supply of controls.

    Memory: the values, (K + 1) (N + 1) I numbers, and blocks of ``BLOCK`` elements. Raises ``ValueError`` where a change must be waited
    for: counters are not part of the state here.
    """

    def __init__(self, plant: Plant, dt_s: np.ndarray, changes: Changes, ends_J: tuple[float, float], nodes: int, costate_g_J: float):
        self.plant, self.dt_s, self.changes, self.ends_J, self.costate_g_J = plant, dt_s, changes, ends_J, costate_g_J
        battery = plant.battery
        self.energy_J = np.linspace(battery.low_J, battery.high_J, nodes)
        self.step_J = self.energy_J[1] - self.energy_J[0]
        self.x_out, self.x_in, self.least_W, self.most_W = self._battery(self.energy_J)
        if changes.open.shape[1] != len(plant.nodes):
            raise ValueError("changes that must be waited for need counters, which this sweep does not have")
        self.transitions = 0

    def _battery(self, energy_J: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """(R / V^2 discharging, charging, least and most terminal power) at stored energies."""
        b = self.plant.battery
        soc = self.plant.layout.battery.soc_at(np.clip(energy_J, b.energy_J[0], b.energy_J[-1]))
        v, rd, rc = (np.interp(soc, b.soc, values) for values in (b.voltage_V, b.discharge_ohm, b.charge_ohm))
        current = np.minimum(b.discharge_A, v / (2 * rd))
        gives, takes = np.interp(soc, b.soc, b.discharge_W), np.interp(soc, b.soc, b.charge_W)
        most = np.minimum(np.minimum(gives, v * v / (4 * rd)), v * current - rd * current**2)
        return rd / v**2, rc / v**2, -np.minimum(takes, v * b.charge_A + rc * b.charge_A**2), most

    def _beyond(self, value: np.ndarray, ghosts: int) -> np.ndarray:
        """Values (I,) with ghost nodes on either side: steep below the window, impossible above."""
        steep = PENALTY * self.costate_g_J * self.step_J * np.arange(ghosts, 0, -1)
        return np.concatenate([value[:1] + steep, value, np.full(ghosts, HUGE)])

    def backward(self, supply: Supply) -> np.ndarray:
        """Values (K + 1, N + 1, I) before the change at the start of each interval; row N is rest before the first."""
        K, N, size = self.dt_s.size, len(self.plant.nodes), self.energy_J.size
        value = np.full((K + 1, N + 1, size), HUGE)
        value[K] = PENALTY * self.costate_g_J * np.maximum(self.ends_J[1] - self.energy_J, 0.0)
        for k in range(K - 1, -1, -1):
            self.step(k, supply(k), value[k + 1], value[k])
        return value

    def step(self, k: int, controls: Controls, after: np.ndarray, value: np.ndarray) -> None:
        """One interval backward: value (N + 1, I) out, from the values after it."""
        stage = np.full((len(self.plant.nodes), self.energy_J.size), HUGE)
        for n in np.flatnonzero(np.diff(controls.begin)):
            own = slice(controls.begin[n], controls.begin[n + 1])
            self._stage(controls.fuel_g_s[own] * self.dt_s[k], controls.power_W[own], after[n], self.dt_s[k], stage[n])
        self._change(k, stage, value)

    def _stage(self, fuel_g: np.ndarray, power_W: np.ndarray, after: np.ndarray, dt_s: float, stage: np.ndarray) -> None:
        """stage (I,) out: least fuel plus next value over all controls of a node, at every battery node."""
        reach_J = 2.0 * np.abs(power_W).max() * dt_s            # electrochemical power is at most twice the terminals'
        ghosts = int(min(np.ceil(reach_J / self.step_J), BLOCK)) + 2
        after = self._beyond(after, ghosts)
        rise = np.append(np.diff(after), 0.0)
        place0 = np.arange(self.energy_J.size) + float(ghosts)
        limited = power_W.size and (power_W.max() > self.most_W.min() or power_W.min() < self.least_W.max())
        rows = max(1, BLOCK // self.energy_J.size)
        for x, chosen in ((self.x_out, power_W > 0.0), (self.x_in, power_W <= 0.0)):
            P, fuel = power_W[chosen, None], fuel_g[chosen, None]
            four_x = 4.0 * x
            for i in range(0, len(P), rows):
                p = P[i:i + rows]
                root = p * four_x
                np.subtract(1.0, root, out=root)
                if limited:
                    np.maximum(root, 0.0, out=root)
                np.sqrt(root, out=root)
                root += 1.0
                np.divide(p * (-2.0 * dt_s / self.step_J), root, out=root)
                root += place0
                cell = root.astype(np.intp)
                root -= cell
                root *= rise.take(cell)
                root += after.take(cell)
                root += fuel[i:i + rows]
                if limited:
                    root[(p > self.most_W) | (p < self.least_W)] = HUGE
                np.minimum(stage, root.min(axis=0), out=stage)
                self.transitions += root.size

    def _change(self, k: int, stage: np.ndarray, value: np.ndarray) -> None:
        """value (N + 1, I) out: least cost of a change and the stage after it, from every node (only from rest where k is 0).

        Below the window the stage goes on steeply, above it the top value goes on."""
        index, last = np.arange(self.energy_J.size), self.energy_J.size - 1
        steep = PENALTY * self.costate_g_J * self.step_J
        for c in np.flatnonzero(stage.min(axis=1) < HUGE):
            before = np.flatnonzero(self.changes.live[k, :, c])
            place = index - self.changes.stored[k, before, c, None] / self.step_J
            inside = np.clip(place, 0.0, last)
            cell = np.minimum(inside.astype(np.intp), last - 1)
            total = stage[c, cell] + (inside - cell) * (stage[c, cell + 1] - stage[c, cell])
            total += np.maximum(-place, 0.0) * steep + self.changes.fixed[before, c, None]
            value[before] = np.minimum(value[before], total)

    def forward(self, supply: Supply, value: np.ndarray) -> Trip:
        """Drives the policy from the start; the window is kept, the charge at the end is what the policy makes of it."""
        K, N = self.dt_s.size, len(self.plant.nodes)
        low, high = self.energy_J[0], self.energy_J[-1]
        node, energy, total_g, a = np.zeros(K, np.int64), np.zeros(K + 1), 0.0, N
        choices = []
        energy[0] = self.ends_J[0]
        for k in range(K):
            controls = supply(k)
            of = np.repeat(np.arange(N), np.diff(controls.begin))
            start = energy[k] - self.changes.stored[k, a]
            x_out, x_in, least, most = self._battery(start)
            P = controls.power_W
            root = 1.0 - 4.0 * P * np.where(P > 0.0, x_out[of], x_in[of])
            after = start[of] - 2.0 * P * self.dt_s[k] / (1.0 + np.sqrt(np.maximum(root, 0.0)))
            possible = (most[of] >= P) & (least[of] <= P) & (after >= low) & (after <= high)
            possible &= self.changes.live[k, a, of] & (start[of] >= low - 1e-6) & (start[of] <= high + 1e-6)
            place = np.clip((after - low) / self.step_J, 0.0, self.energy_J.size - 1.000001)
            cell = place.astype(np.intp)
            v = value[k + 1, of, cell]
            v += (place - cell) * (value[k + 1, of, cell + 1] - v)
            paid = controls.fuel_g_s * self.dt_s[k] + self.changes.fixed[a, of]
            best = int(np.argmin(np.where(possible, paid + v, np.inf)))
            if not possible[best]:
                raise RuntimeError(f"no control keeps the battery's window in interval {k}")
            a = node[k] = of[best]
            energy[k + 1], total_g = after[best], total_g + paid[best]
            choices.append(controls.choice[best])
        return Trip(node, np.array(choices), energy, total_g, self.transitions)
