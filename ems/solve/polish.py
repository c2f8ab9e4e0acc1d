"""A second opinion on the continuous choices: the same trip as one nonlinear program, solved by an interior-point method.

The schedule of configurations is that of the optimum, and so are the directions of power flow in each second; free engine speed, engine
torque, machine torques, friction brakes and the course of the battery are free. Fuel and machine losses are cubic B-splines through the
points of the maps (casadi), so the program is smooth where the tables are piecewise linear; what that alone changes is measured on
the trip of the optimum and stated. Solver: IPOPT (Waechter and Biegler, Mathematical Programming 106, 2006).
"""

from __future__ import annotations

import itertools
import math
import time
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np

from ems.kernels.battery import state
from ems.kernels.frontier import Demands
from ems.kernels.plant import COUPLED, DRAGGED, IDLING, free_range, make_bench, make_cut, set_torques
from ems.kernels.sweep import internal_power
from ems.plant.audit import play_trip
from ems.plant.plant import Plant
from ems.plant.trace import Trace, trace
from ems.solve.optimum import Optimum
from ems.solve.problem import fixed_costs
from ems.solve.shortfall import limit_words
from ems.solve.slope import value_slope
from ems.types import Array, BoolArray, IntArray

ENERGY_J, TORQUE_NM, SPEED_RAD_S, POWER_W = 1e5, 100.0, 100.0, 1e4      # scales: the solver sees numbers near one
SWITCH_W = 300.0            # width over which the battery's resistance passes from charging to discharging
ROUNDING = 1e-7             # kept from scaled limits, since IPOPT breaks limits by less than that and the plant judges to the last bit
KNOTS = 60                  # of the spline through R / V^2 over the window


@dataclass(frozen=True, slots=True, eq=False)
class Polished:
    """A trip polished on smooth maps, K intervals, beside the optimum it started from.

    status : IPOPT's own words; ``solved`` whether it converged      iterations, seconds
    objective_g : fuel and prices on the smooth maps                 difference_percent : from the optimum's objective
    smoothing_percent : what the smooth maps alone change on the optimum's own trip, charge priced with the costate
    replayed_g, replayed_percent : the polished choices in the true plant, charge at the end priced with the costate, and from the optimum
    broken_limits : intervals in which the true plant finds a limit broken all the same; the optimum's own choice is replayed there
    broken_what : limit in words -> in how many of them
    multiplier_g_J : (K,) multiplier of the battery's equation       costate_g_J : (K,) costate of the certificate at the same instants
    slope_g_J : (K,) slope of the dynamic programming's values there, NaN where there is none (``value_slope``)
    costate_difference_percent, slope_difference_percent : median of the multiplier's difference from them, where the window does not bind;
        None where there is no such interval (values of a trip with a single start have kinks and no slope)
    energy_J : (K + 1,) stored energy on the smooth maps             trace : the choices in the true plant
    """

    status: str
    solved: bool
    iterations: int
    seconds: float
    objective_g: float
    difference_percent: float
    smoothing_percent: float
    replayed_g: float
    replayed_percent: float
    broken_limits: int
    broken_what: dict[str, int]
    multiplier_g_J: Array
    costate_g_J: Array
    slope_g_J: Array
    costate_difference_percent: float | None
    slope_difference_percent: float | None
    energy_J: Array
    trace: Trace

    def to_dict(self) -> dict[str, Any]:
        """Scalars, for JSON."""
        names = ("status", "solved", "iterations", "seconds", "objective_g", "difference_percent", "smoothing_percent", "replayed_g",
                 "replayed_percent", "broken_limits", "broken_what", "costate_difference_percent", "slope_difference_percent")
        return {name: getattr(self, name) for name in names}


def polish(found: Optimum, *, iterations: int = 200, tolerance: float = 1e-7) -> Polished:
    """The optimum's trip polished: best continuous choices on smooth maps for its schedule of configurations.

    iterations, tolerance : where IPOPT stops      Never raises for a program that did not converge: see ``solved``.
    """
    begun = time.perf_counter()
    program = _Program(found)
    answer = program.solve(iterations, tolerance)
    choice, energy = program.unpacked(answer.x)
    replayed = _replayed(found, choice)
    price, slope = found.bound.costate_g_J[1:], value_slope(found, program.energy_J)
    objective = answer.fuel_g + program.fixed_g
    inside = (energy[1:] > program.low_J + 1e3) & (energy[1:] < program.high_J - 1e3)
    replayed_g = replayed.fuel_g + program.fixed_g - float(price[-1] * (replayed.energy_J[-1] - found.problem.target_J))
    reference = found.objective_g
    return Polished(
        status=answer.status, solved=answer.solved, iterations=answer.iterations, seconds=time.perf_counter() - begun,
        objective_g=objective, difference_percent=100.0 * (objective / reference - 1.0),
        smoothing_percent=100.0 * program.smoothing_g / reference, replayed_g=replayed_g,
        replayed_percent=100.0 * (replayed_g / reference - 1.0), broken_limits=sum(replayed.broken.values()),
        broken_what=replayed.broken, multiplier_g_J=answer.multiplier_g_J, costate_g_J=price, slope_g_J=slope,
        costate_difference_percent=_apart_percent(answer.multiplier_g_J, price, inside),
        slope_difference_percent=_apart_percent(answer.multiplier_g_J, slope, inside), energy_J=energy, trace=replayed.trace)


def _apart_percent(multiplier: Array, price: Array, inside: BoolArray) -> float | None:
    """Median of how far a multiplier is above a price, where that is one."""
    known = inside & (price > 0.0)
    return float(np.median(100.0 * (multiplier[known] / price[known] - 1.0))) if known.any() else None


# -- smooth models -----------------------------------------------------------------------------------------------------


def _spline(name: str, axes: list[Array], values: Array) -> Any:
    """Cubic B-spline through a table, of lower degree on an axis of fewer than four points.

    Every axis goes on by a step of the same slope at both ends: casadi's splines are nothing outside their knots, and a torque a rounding
    below zero would burn no fuel.
    """
    import casadi as ca

    for n in range(len(axes)):
        axis, table = axes[n], np.moveaxis(values, n, 0)
        axes = [*axes[:n], np.concatenate([[2 * axis[0] - axis[1]], axis, [2 * axis[-1] - axis[-2]]]), *axes[n + 1:]]
        values = np.moveaxis(np.concatenate([[2 * table[0] - table[1]], table, [2 * table[-1] - table[-2]]]), 0, n)
    degree = [min(3, axis.size - 1) for axis in axes]
    return ca.interpolant(name, "bspline", [axis.tolist() for axis in axes], values.ravel(order="F").tolist(), {"degree": degree})


def _curve(name: str, axis: Array, values: Array) -> Any:
    """Straight lines between points: limits stay what they are."""
    import casadi as ca

    return ca.interpolant(name, "linear", [axis.tolist()], values.tolist())


class _Smooth:
    """One interval of any configuration as a casadi function: what differs between configurations are parameters (``layout``).

    Choice z (3 + I,): free speed, wheel torque, engine torque, inner torques. Sources S, told joints G, drags D, machines M, and R limits
    on joint loads, axles among them.
    """

    def __init__(self, plant: Plant) -> None:
        import casadi as ca

        a = plant.arrays
        S, G, M = a.source_wheel.shape[1], a.mesh_wheel.shape[1], a.machine_max.size
        self.meshes, self.machines = G, M
        self.width = 3 + a.inner_source.shape[1]                # of a choice
        self.loads = a.load_joint.shape[1] + a.axle_joint.size
        inputs, outputs = a.torque_map.shape[2], S + 1 + G
        D = inputs - self.width
        self.sizes = {"scalars": 6, "source_wheel": S, "source_free": S, "mesh_wheel": G, "mesh_free": G, "sense": M, "reserve": M,
                      "drag": D, "drag_free": D, "load": self.loads * G, "load_low": self.loads, "load_high": self.loads,
                      "map": outputs * inputs}
        z, e, p = ca.MX.sym("z", self.width), ca.MX.sym("e"), ca.MX.sym("p", sum(self.sizes.values()))
        ends = np.cumsum([0, *self.sizes.values()])
        own = {name: p[int(i):int(j)] for name, (i, j) in zip(self.sizes, itertools.pairwise(ends), strict=True)}
        ww, alpha, base, base_free, turns, fires = (own["scalars"][i] for i in range(6))
        free = z[0] * SPEED_RAD_S
        speed = own["source_wheel"] * ww + own["source_free"] * free
        drags = own["drag"] + own["drag_free"] * free
        out = ca.mtimes(ca.reshape(own["map"], inputs, outputs).T, ca.vertcat(z[1:] * TORQUE_NM, alpha, drags))
        engine = plant.layout.engine.engine
        at = turns * speed[0] + (1 - turns) * engine.idle_rad_s
        torque = fires * out[0]
        fuel = turns * _spline("fuel", [engine.speed_rad_s, engine.torque_Nm], engine.fuel_g_s)(ca.vertcat(at, torque))
        full = _curve("full_load", engine.limit_speed_rad_s, engine.full_load_Nm)(at)
        power, room = base + base_free * free, []
        for m, use in enumerate(plant.layout.machines):
            machine = use.machine
            w, T = own["sense"][m] * speed[m + 1], own["sense"][m] * out[m + 1]
            power = power + w * T + _spline(f"loss{m}", [machine.speed_rad_s, machine.torque_Nm], machine.loss_W)(ca.vertcat(w, T))
            peak = _curve(f"peak{m}", machine.limit_speed_rad_s, machine.peak_Nm)(w) - own["reserve"][m]
            room += [(peak - T) / TORQUE_NM, (peak + T) / TORQUE_NM, w / SPEED_RAD_S, -T / TORQUE_NM]
        internal, battery_room = self._battery(plant, e * ENERGY_J, power)
        loads = ca.mtimes(ca.reshape(own["load"], G, self.loads).T, out[S + 1:])
        flow = out[S + 1:] * (own["mesh_wheel"] * ww + own["mesh_free"] * free) / POWER_W
        limits = ca.vertcat((full - torque) / TORQUE_NM, torque / TORQUE_NM, *room, *battery_room,
                            (loads - own["load_low"]) / TORQUE_NM, (own["load_high"] - loads) / TORQUE_NM, flow)
        self.limits = int(limits.size1())
        self.interval = ca.Function("interval", [z, e, p], [fuel, internal, limits])

    @staticmethod
    def _battery(plant: Plant, energy: Any, power: Any) -> tuple[Any, list[Any]]:
        """(electrochemical power, room to the limits of power and current) of the full battery equations."""
        import casadi as ca

        b = plant.battery
        at = np.linspace(b.energy_J[0], b.energy_J[-1], KNOTS)
        rows = np.array([state(b, float(e)) for e in at])
        volt = _spline("voltage", [at], rows[:, 1])(energy)
        discharging, charging = _spline("discharging", [at], rows[:, 2])(energy), _spline("charging", [at], rows[:, 3])(energy)
        share = 0.5 * (1 + ca.tanh(power / SWITCH_W))
        x = (charging + share * (discharging - charging)) / volt**2
        internal = 2 * power / (1 + ca.sqrt(ca.fmax(1 - 4 * power * x, 1e-8)))
        soc = rows[:, 0]
        gives = _curve("gives", at, np.interp(soc, b.soc, b.discharge_W))(energy)
        takes = _curve("takes", at, np.interp(soc, b.soc, b.charge_W))(energy)
        return internal, [(gives - power) / POWER_W, (takes + power) / POWER_W, (volt * b.discharge_A - internal) / POWER_W,
                          (internal + volt * b.charge_A) / POWER_W]


# -- the program -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Answer:
    x: Array
    fuel_g: float
    multiplier_g_J: Array
    status: str
    solved: bool
    iterations: int


class _Program:
    """Variables: choices (W, K) and stored energy (K + 1,), scaled; one equation of the battery and the limits of every interval."""

    def __init__(self, found: Optimum) -> None:
        problem, plant = found.problem, found.problem.plant
        self.found, self.plant = found, plant
        self.node, self.dt, self.burn = found.trace.node, problem.points.dt, problem.points.burn
        self.low_J, self.high_J = problem.window_J
        before = np.concatenate([[len(plant.nodes)], self.node[:-1]])
        self.stored_J = problem.changes.stored[np.arange(self.node.size), before, self.node]
        self.fixed_g = float(problem.changes.fixed[before, self.node].sum())
        self.smooth = _Smooth(plant)
        self.cuts = _cuts(plant, problem.tables.demands, problem.tables.demand_of, self.node, found.trace.choice)
        self.energy_J = 1e3 * np.append(np.asarray(found.trace.columns["battery_energy_start_kJ"], float),
                                        np.asarray(found.trace.columns["battery_energy_end_kJ"], float)[-1])
        self.smoothing_g = self._smoothing_g()

    def _smoothing_g(self) -> float:
        """What the smooth maps change on the optimum's own trip: fuel, and stored energy priced with the costate [g]."""
        after = (self.energy_J[:-1] - self.stored_J) / ENERGY_J
        fuel, internal, _ = self.smooth.interval.map(self.node.size)(self.cuts.start, after[None, :], self.cuts.parameters)
        spent_J = self.energy_J[:-1] - self.stored_J - self.energy_J[1:]
        exact_g = self.found.objective_g - self.fixed_g
        price = self.found.bound.costate_g_J[1:]
        return float(np.asarray(fuel).ravel() @ self.burn - exact_g + price @ (np.asarray(internal).ravel() * self.dt - spent_J))

    def solve(self, iterations: int, tolerance: float) -> _Answer:
        """IPOPT from the optimum's trip."""
        import casadi as ca

        K = self.node.size
        lower, upper = self._bounds(), self._bounds(upper=True)
        sense = self._rows().ravel(order="F")
        kept = np.flatnonzero(sense)
        solver = ca.nlpsol("polish", "ipopt", self._stated(kept.tolist()), {
            "print_time": False, "ipopt": {"print_level": 0, "sb": "yes", "max_iter": iterations, "tol": tolerance,
                                           "mu_init": 1e-4, "bound_push": 1e-5, "bound_frac": 1e-5}})
        start = np.concatenate([self.cuts.start.ravel(order="F"), self.energy_J / ENERGY_J])
        inside = self._inside().ravel(order="F")[kept]
        below = np.concatenate([np.zeros(K), np.where(sense[kept] > 0, inside, -math.inf)])
        above = np.concatenate([np.zeros(K), np.where(sense[kept] > 0, math.inf, -inside)])
        result = solver(x0=np.clip(start, lower, upper), lbx=lower, ubx=upper, lbg=below, ubg=above)
        stats = solver.stats()
        return _Answer(np.asarray(result["x"]).ravel(), float(result["f"]), np.asarray(result["lam_g"]).ravel()[:K] / ENERGY_J,
                       str(stats["return_status"]), bool(stats["success"]), int(stats["iter_count"]))

    def _stated(self, kept: list[int]) -> dict[str, Any]:
        """Variables, objective, and below one another the battery's equations and the limits ``kept``."""
        import casadi as ca

        K = self.node.size
        z, e = ca.MX.sym("z", self.smooth.width, K), ca.MX.sym("e", 1, K + 1)
        dt, shift = ca.DM(self.dt).T, ca.DM(self.stored_J / ENERGY_J).T
        fuel, internal, limits = self.smooth.interval.map(K)(z, e[:, :-1] - shift, ca.DM(self.cuts.parameters))
        balance = e[:, 1:] - e[:, :-1] + shift + internal * dt / ENERGY_J
        return {
            "x": ca.vertcat(ca.vec(z), ca.vec(e)), "f": ca.dot(fuel, ca.DM(self.burn).T),
            "g": ca.vertcat(ca.vec(balance), ca.vec(limits)[kept])}

    def _bounds(self, upper: bool = False) -> Array:
        """Lowest (or highest) values of all variables, scaled."""
        battery = np.full(self.node.size + 1, self.high_J if upper else self.low_J)
        clip = np.minimum if upper else np.maximum
        battery[:-1] += clip(self.stored_J, 0.0)                    # the window holds after the change too
        battery[0] = self.energy_J[0]
        if not upper:
            battery[-1] = self.found.problem.target_J
        return np.concatenate([(self.cuts.high if upper else self.cuts.low).ravel(order="F"), battery / ENERGY_J])

    def _rows(self) -> Array:
        """(limits, K) +1 where a limit must not be negative, -1 where not positive (a mesh's direction), 0 where it cannot matter."""
        free = (self.cuts.high > self.cuts.low).any(axis=0)
        rows = np.ones((self.smooth.limits, self.node.size))
        M, G, R = self.smooth.machines, self.smooth.meshes, self.smooth.loads
        rows[:2] = self.cuts.fires
        turning = self.plant.arrays.has_free[self.node]
        for m in range(M):
            rows[2 + 4 * m + 2] = turning
            rows[2 + 4 * m + 3] = 0.0 if self.plant.arrays.machine_drives[m] else 1.0
        begin = 2 + 4 * M + 4
        rows[begin:begin + 2 * R] = self.cuts.limited
        rows[begin + 2 * R:] = self.cuts.direction.reshape(G, -1)
        return rows * free

    def _inside(self) -> Array:
        """(limits, K) by how much every limit is kept; where no torque that is chosen, no speed and no power in a mesh is the limit, that
        much is let through: those are no limits of the plant (choices are clipped), and they may pinch a choice that is at rest."""
        inside, M = np.full((self.smooth.limits, self.node.size), ROUNDING), self.smooth.machines
        inside[1, self.cuts.high[2] > self.cuts.low[2]] = -ROUNDING
        inside[4:2 + 4 * M:4] = -ROUNDING
        inside[-self.smooth.meshes:] = -ROUNDING
        return inside

    def unpacked(self, x: Array) -> tuple[Array, Array]:
        """Choices (K, 3 + I), in their ranges to the last bit, and stored energies (K + 1,) [J] of a vector of variables."""
        W, K = self.smooth.width, self.node.size
        z = np.clip(x[:W * K].reshape(K, W), self.cuts.low.T, self.cuts.high.T) * np.array([SPEED_RAD_S] + [TORQUE_NM] * (W - 1))
        return np.ascontiguousarray(z), x[W * K:] * ENERGY_J


@dataclass(frozen=True, slots=True, eq=False)
class _Cuts:
    """What fixes each interval: parameters (P, K); choices at the start, lowest, highest (W, K), scaled; whether the engine gives
    torque (K,); (2 R, K) whether a limit on a load is one; direction (G, K) of the power in each loaded mesh: 1, -1, or 0 where none
    passes or it stands still."""

    parameters: Array
    start: Array
    low: Array
    high: Array
    fires: BoolArray
    limited: BoolArray
    direction: Array


def _cuts(plant: Plant, demands: Demands, demand_of: IntArray, node: IntArray, choice: Array) -> _Cuts:
    """Cuts of a schedule at the choices it makes."""
    a, K, W = plant.arrays, node.size, choice.shape[1]
    scale = np.array([SPEED_RAD_S] + [TORQUE_NM] * (W - 1))[:, None]
    low, high, direction = choice.T.copy(), choice.T.copy(), np.zeros((a.mesh_wheel.shape[1], K))
    parameters, limited, bench = [], [], make_bench(a)
    for k in range(K):
        t, u = int(node[k]), int(demand_of[k])
        cut = make_cut(a, bench, t, demands.wheel_speed[u], choice[k, 0], demands.wheel_acceleration[u], demands.auxiliary[u],
                       demands.axle_least[u])
        cut.x[:W - 1] = choice[k, 1:]
        set_torques(cut)
        pattern = int(cut.pattern[0])
        for bit, g in enumerate(cut.bit_mesh):
            if cut.mesh_speed[g] != 0.0 or a.has_free[t]:
                direction[g, k] = -1.0 if (pattern >> bit) & 1 else 1.0
        _open(plant, t, demands, u, choice[k], low[:, k], high[:, k])
        load, least, most = _load_limits(plant, t, demands.axle_least[u])
        limited.append(np.isfinite(np.concatenate([least, most])))
        sense = np.where(cut.speed[1:] < 0.0, -1.0, 1.0)
        parameters.append(np.concatenate([_scalars(plant, t, demands, u), a.source_wheel[t], a.source_free[t], a.mesh_wheel[t],
                                          a.mesh_free[t], sense, a.reserve[t], *_drags(plant, t, demands.wheel_speed[u], choice[k, 0]),
                                          load.ravel(), np.nan_to_num(least, neginf=0.0), np.nan_to_num(most, posinf=0.0),
                                          a.torque_map[a.first_pattern[t] + pattern].ravel()]))
    fires: BoolArray = a.engine_mode[node] == COUPLED
    return _Cuts(np.array(parameters).T, choice.T / scale, low / scale, high / scale, fires, np.array(limited).T, direction)


def _open(plant: Plant, t: int, demands: Demands, u: int, choice: Array, low: Array, high: Array) -> None:
    """Opens the range of every choice that is free in node t; an engine turned without fuel keeps its speed."""
    a = plant.arrays
    if a.has_free[t] and a.engine_mode[t] != DRAGGED:
        low[0], high[0] = free_range(a, t, demands.wheel_speed[u])
    if a.wheel_free[t] and demands.wheel_torque[u] < 0.0:
        low[1], high[1] = min(demands.wheel_torque[u], choice[1]), 0.0
    if a.engine_mode[t] == COUPLED and a.engine_free[t]:
        low[2], high[2] = 0.0, float(a.engine_full_load.max())
    for i in range(a.inner_count[t]):
        peak = float(a.machine_peak[a.inner_source[t, i] - 1].max())
        low[3 + i], high[3 + i] = -peak, peak


def _scalars(plant: Plant, t: int, demands: Demands, u: int) -> list[float]:
    """Wheel speed and acceleration, power at the battery whatever is chosen and per free speed, whether the engine turns on fuel, and
    whether it gives torque."""
    a, mode, alpha = plant.arrays, plant.arrays.engine_mode[t], demands.wheel_acceleration[u]
    rotating = alpha * a.kinetic_free[t]
    return [demands.wheel_speed[u], alpha, demands.auxiliary[u] + a.hold_W[t] + rotating * a.reference[t], -rotating,
            float(mode in (COUPLED, IDLING)), float(mode == COUPLED)]


def _drags(plant: Plant, t: int, ww: float, f: float) -> tuple[Array, Array]:
    """(D,) drag torques at free speed zero and per free speed, for the senses of rotation at f."""
    a = plant.arrays
    count = a.torque_map.shape[2] - 3 - a.inner_source.shape[1]
    at_zero, per_free = np.zeros(count), np.zeros(count)
    for d in range(a.drag_count[t]):
        wheel, free, constant, viscous = a.drag[t, d]
        at_zero[d] = np.sign(wheel * ww + free * f) * constant + viscous * wheel * ww
        per_free[d] = viscous * free
    return at_zero, per_free


def _load_limits(plant: Plant, t: int, axle_least: Array) -> tuple[Array, Array, Array]:
    """((R, G) factors of joint loads, (R,) least, (R,) most) of the limits on loads and on braking axles; infinite where none."""
    a, own = plant.arrays, plant.arrays.load_joint.shape[1]
    rows = own + a.axle_joint.size
    factor, least, most = np.zeros((rows, a.mesh_wheel.shape[1])), np.full(rows, -np.inf), np.full(rows, np.inf)
    for q in range(a.load_count[t]):
        factor[q, a.load_joint[t, q]], least[q], most[q] = a.load_limit[t, q]
    for i, joint in enumerate(a.axle_joint):
        factor[own + i, joint], least[own + i] = -1.0, axle_least[i]
    return factor, least, most


# -- back in the true plant --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Replayed:
    fuel_g: float
    energy_J: Array
    broken: dict[str, int]
    trace: Trace


def _replayed(found: Optimum, choice: Array) -> _Replayed:
    """The polished choices played in the true plant, the battery following what they draw.

    Where the plant finds a limit broken nothing could be driven: the optimum's own choice takes the place.
    """
    problem, tables, node = found.problem, found.tables, found.trace.node
    plant, dt = problem.plant, problem.points.dt
    flat, factor = np.full(node.size + 1, problem.start_J), problem.points.burn / dt
    first = play_trip(plant, tables.demand, tables.demands, tables.demand_of, node, choice, flat, factor).played
    choice = np.where((first.code != 0)[:, None], found.trace.choice, choice)
    seen = play_trip(plant, tables.demand, tables.demands, tables.demand_of, node, choice, flat, factor).played
    before = np.concatenate([[len(plant.nodes)], node[:-1]])
    stored = problem.changes.stored[np.arange(node.size), before, node]
    energy = flat.copy()
    for k in range(node.size):
        after = float(np.clip(energy[k] - stored[k], plant.battery.energy_J[0], plant.battery.energy_J[-1]))
        energy[k + 1] = after - internal_power(plant.battery, after, seen.power[k]) * dt[k]
    fuel, price = fixed_costs(plant)
    trip = trace(plant, tables.demand, tables.demands, tables.demand_of, node, choice, energy, fuel, price, factor)
    broken = Counter(limit_words(plant, node[k], first.code[k]) for k in np.flatnonzero(first.code))
    return _Replayed(float(seen.fuel @ problem.points.burn), energy, dict(broken.most_common()), trip)
