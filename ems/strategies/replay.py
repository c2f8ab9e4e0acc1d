"""Replay of a recording: which configuration it was in each second, and the same driven through the plant.

Each configuration says which speeds its sources must have at the wheels' speed (and at the recorded speed of the engine, where that
is free); the squared distance to the recorded speeds over their noise, the actuators that are recorded otherwise, and fuel recorded where
it burns none (or the other way round) are what it costs to believe in it in that second. The most likely sequence, a change costing
``CHANGE``, is found by dynamic programming (Viterbi, IEEE Trans. Inf. Theory 13, 1967), which also settles seconds in which
configurations look alike. At rest, speeds alone cannot tell which of the configurations without a turning machine is engaged: one of them
is taken. Nor can they tell the gear behind a slipping clutch: the one in which it closes, for a change that only closes a slipping clutch
costs ``CLOSING``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ems.configurations import EngineState
from ems.errors import InputError, Mistake
from ems.layout.model import Layout
from ems.plant.plant import Plant
from ems.quantities import RPM_PER_RAD_S
from ems.strategies.protocol import Request, Situation
from ems.strategies.recording import Recording, load_recording
from ems.types import Array, IntArray

if TYPE_CHECKING:
    from ems.strategies.course import Course

CHANGE = 6.0            # what a change of configuration costs, in the logarithm of likelihood
CLOSING = 3.0           # what it costs where a slipping clutch closes, or slips again, and all else stays
WORST = 40.0            # most that one source or actuator costs a second: one broken sensor must not decide alone
FUEL = 20.0             # what recorded fuel that a configuration does not burn costs a second, or none where it does
BURNT_G_S = 0.02        # mean fuel rate above which fuel was burnt in a second; an idling engine takes several times as much
FITTING = 4.5           # root mean square distance over noise up to which a second counts as recognised
SLIP = 0.003            # error of the model's speeds, relative: tyres, and speed changing within the second
RUNNING_RPM = 300.0     # a recorded engine faster than this runs


class Replay:
    """Asks for what a recording shows. Where nothing is recognised the present configuration is kept."""

    reserve_s = 0.0

    def __init__(self, recording: Recording, name: str = "replay") -> None:
        self.recording, self.name = recording, name
        self.notes: tuple[str, ...] = ()

    def begin(self, course: Course) -> None:
        """Recognise the configuration of every second of the trip."""
        demand = course.demand
        start, end = demand.time_s, demand.time_s + demand.dt_s
        self.course = course
        self.mean = {name: self.recording.over(name, start, end) for name in self.recording.values if name != "time_s"}
        cost = likelihoods(course, self.recording, self.mean)
        self.node = _most_likely(cost.total, _change_costs(course.undivided))
        k = np.arange(self.node.size)
        self.recognised = cost.seen & (cost.distance[k, self.node] <= FITTING)
        self.notes = self._notes(float(end[-1]))

    def decide(self, situation: Situation) -> Request:
        """The recorded configuration, and of its free choices those that were recorded."""
        k = situation.interval
        if not self.recognised[k]:
            return Request(situation.configuration or self.course.undivided.configuration(int(self.node[k])).id)
        node = int(self.node[k])
        arrays = self.course.undivided.arrays
        torque = self._value("engine_torque_Nm", k) if arrays.engine_free[node] else None
        inner = [self._value(f"{self.course.plant.layout.machines[int(arrays.inner_source[node, i]) - 1].name}_torque_Nm", k)
                 for i in range(arrays.inner_count[node])]
        power = self._value("battery_power_kW", k)
        speed = self._value("engine_rpm", k) if arrays.has_free[node] else None
        return Request(self.course.undivided.configuration(node).id, None if speed is None else speed / RPM_PER_RAD_S,
                       None if torque is None else max(torque, 0.0),
                       None if power is None else 1e3 * power, None if not inner or None in inner else tuple(x or 0.0 for x in inner))

    def _value(self, name: str, k: int) -> float | None:
        value = float(self.mean[name][k]) if name in self.mean else np.nan
        return value if np.isfinite(value) else None

    def _notes(self, end_s: float) -> tuple[str, ...]:
        """What the recording is like, what was recognised, and the fuel as recorded and as the map says."""
        r = self.recording
        count, total, longest = r.gaps(end_s)
        notes = [f"recording: {r.values['time_s'].size} samples at {r.rate_hz:.3g} Hz; {count} gaps, {total:.1f} s in all, "
                 f"the longest {longest:.1f} s; {r.unreadable} cells that are no numbers",
                 f"configuration recognised in {100.0 * self.recognised.mean():.2f} % of {self.recognised.size} intervals"]
        apart = self.mean.get("speed_kmh")
        if apart is not None:
            rms = float(np.sqrt(np.nanmean((apart - 3.6 * self.course.demand.speed_m_s) ** 2)))
            notes.append(f"speed of the recording and of the cycle: {rms:.2f} km/h apart (root mean square)")
        fuel = self._fuel()
        if fuel:
            notes.append("; ".join(fuel))
        return tuple(notes)

    def _fuel(self) -> list[str]:
        """Fuel over the seconds in which it was recorded [g]: as recorded, and by the engine's map at the recorded speeds and torques."""
        dt = self.course.demand.dt_s
        words = []
        recorded = self.mean.get("fuel_g_s")
        if recorded is not None:
            words.append(f"fuel as recorded {float(np.nansum(recorded * dt)):.1f} g")
        speed, torque = self.mean.get("engine_rpm"), self.mean.get("engine_torque_Nm")
        if speed is not None and torque is not None:
            plant = self.course.undivided
            cut = np.array([plant.configuration(int(n)).engine is EngineState.FUEL_CUT for n in self.node])
            by_map = float(np.nansum(np.where(cut, 0.0, self._map_fuel(speed / RPM_PER_RAD_S, torque)) * dt))
            words.append(f"by the map at the recorded speeds and torques {by_map:.1f} g")
        return words

    def _map_fuel(self, speed_rad_s: Array, torque_Nm: Array) -> Array:
        from scipy.interpolate import RegularGridInterpolator

        engine = self.course.plant.layout.engine.engine
        rate = RegularGridInterpolator((engine.speed_rad_s, engine.torque_Nm), engine.fuel_g_s)
        there = np.isfinite(speed_rad_s) & np.isfinite(torque_Nm) & (speed_rad_s * RPM_PER_RAD_S > RUNNING_RPM)
        at = np.stack([np.clip(np.where(there, speed_rad_s, engine.idle_rad_s), engine.speed_rad_s[0], engine.speed_rad_s[-1]),
                       np.clip(np.where(there, torque_Nm, 0.0), engine.torque_Nm[0], engine.torque_Nm[-1])], axis=-1)
        out: Array = np.where(there, rate(at), 0.0)
        return out


class Likelihoods:
    """Costs of believing in a node: total (K, N), distance (K, N) root mean square over noise, seen (K,) whether anything was recorded."""

    def __init__(self, total: Array, distance: Array, seen: Array) -> None:
        self.total, self.distance, self.seen = total, distance, seen.astype(bool)


def likelihoods(course: Course, recording: Recording, mean: dict[str, Array]) -> Likelihoods:
    """What each second says of each node, from speeds and from recorded states."""
    plant = course.undivided
    K, N = course.able_configurations.shape
    wheel = course.tables.demands.wheel_speed[course.tables.demand_of]
    names = ["engine", *(m.name for m in plant.layout.machines)]
    recorded = np.stack([mean.get(f"{name}_rpm", np.full(K, np.nan)) for name in names], axis=1) / RPM_PER_RAD_S
    free = np.where(np.isfinite(recorded[:, 0]), recorded[:, 0], plant.arrays.engine_idle)
    per_second = max(recording.rate_hz * float(np.median(course.demand.dt_s)), 1.0)
    total, squares, count = np.zeros((K, N)), np.zeros((K, N)), np.zeros((K, N))
    for n in range(N):
        a = plant.arrays
        f = np.clip(free, a.free_low[n], a.free_high[n]) if a.has_free[n] else np.full(K, a.free_low[n])
        for s in range(len(names)):
            modelled = a.source_wheel[n, s] * wheel + a.source_free[n, s] * f
            noise = recording.mapping.noise_rpm / RPM_PER_RAD_S / np.sqrt(per_second) + SLIP * np.abs(modelled)
            apart = ((recorded[:, s] - modelled) / noise) ** 2
            there = np.isfinite(apart)
            total[:, n] += np.where(there, np.minimum(0.5 * apart, WORST), 0.0)
            squares[:, n] += np.where(there, apart, 0.0)
            count[:, n] += there
        if plant.arrays.has_free[n]:
            total[:, n] += _freedom(plant, n, recording.mapping.noise_rpm / RPM_PER_RAD_S / np.sqrt(per_second))
    total += np.where(course.able_configurations, 0.0, WORST)
    if "fuel_g_s" in mean:
        total += _fuel_costs(plant, mean["fuel_g_s"])
    state_cost, state_seen = _states(course, recording)
    seen = (count.max(axis=1) > 0) | state_seen
    distance = np.sqrt(squares / np.maximum(count, 1.0)) + np.where(state_cost > 0.5 * WORST, FITTING, 0.0)
    return Likelihoods(total + state_cost, distance, seen)


def _freedom(plant: Plant, node: int, noise_rad_s: float) -> float:
    """What a free engine speed costs to believe in: it fits any speed, so each speed is the less likely by noise over range (the
    evidence of a model with a free parameter; MacKay, Information Theory, Inference, and Learning Algorithms, 2003, ch. 28; from memory).
    """
    width = float(plant.arrays.free_high[node] - plant.arrays.free_low[node])
    return float(np.log(max(width / (noise_rad_s * np.sqrt(2.0 * np.pi)), 1.0)))


def _fuel_costs(plant: Plant, fuel_g_s: Array) -> Array:
    """(K, N) cost of recorded fuel that a node does not burn, or of none where it does: tells an engine that turns without fuel."""
    burns = np.array([plant.configuration(n).engine is EngineState.RUNNING for n in range(len(plant.nodes))])
    otherwise = (fuel_g_s > BURNT_G_S)[:, None] != burns
    return np.where(np.isfinite(fuel_g_s)[:, None] & otherwise, FUEL, 0.0)


def _states(course: Course, recording: Recording) -> tuple[Array, Array]:
    """(K, N) cost of recorded actuators that are otherwise in a node, in all the states that are merged in it the best; (K,) seen."""
    K, N = course.able_configurations.shape
    cost, seen = np.zeros((K, N)), np.zeros(K)
    if not recording.states:
        return cost, seen.astype(bool)
    time, start = recording.values["time_s"], course.demand.time_s
    first, last = np.searchsorted(time, start - 1e-9), np.searchsorted(time, start + course.demand.dt_s - 1e-9)
    merged = [_merged_states(course.undivided, n) for n in range(N)]
    for k in range(K):
        words = {name: _usual(texts[first[k]:last[k]]) for name, texts in recording.states.items()}
        told = {name: word for name, word in words.items() if word}
        seen[k] = bool(told)
        for n in range(N):
            cost[k, n] = WORST * min(sum(not _is(state, name, word) for name, word in told.items()) for state in merged[n])
    return cost, seen.astype(bool)


def _merged_states(plant: Plant, node: int) -> list[frozenset[str]]:
    """What is engaged in each of the actuator states that a node stands for."""
    c = plant.configuration(node)
    return [frozenset(words.split("+")) for words in (c.id.split(":", 1)[1], *c.equivalents)]


def _is(engaged: frozenset[str], name: str, word: str) -> bool:
    """Whether an actuator is as recorded: 1, 0 or 0.5 (slipping) for a clutch or brake, the position of a shifter (neutral: none).

    A clutch recorded as closed may slip: many a logger knows no third state.
    """
    closed = name in engaged or f"{name}~" in engaged
    if word in ("0", "0.0", "open", "false"):
        return not closed
    if word in ("1", "1.0", "closed", "true"):
        return closed
    if word in ("0.5", "slipping"):
        return f"{name}~" in engaged
    if word == "neutral":
        return not any(e.startswith(f"{name}=") for e in engaged)
    return f"{name}={word}" in engaged


def _usual(words: list[str]) -> str:
    """The word that is there most often, empties left out."""
    there = [w for w in words if w]
    return max(sorted(set(there)), key=there.count) if there else ""


def _change_costs(plant: Plant) -> Array:
    """(N, N) what a change from a node to another costs, in the logarithm of likelihood."""
    ids = [plant.configuration(n).id for n in range(len(plant.nodes))]
    closed = np.array([name.replace("~", "") for name in ids])
    costs: Array = np.where(closed[:, None] == closed[None, :], CLOSING, CHANGE)
    np.fill_diagonal(costs, 0.0)
    return costs


def _most_likely(cost: Array, change: Array) -> IntArray:
    """(K,) cheapest sequence of nodes; change : (N, N)."""
    K, N = cost.shape
    value, back = cost[0].copy(), np.zeros((K, N), np.int64)
    for k in range(1, K):
        total = value[:, None] + change
        back[k] = np.argmin(total, axis=0)
        value = total[back[k], np.arange(N)] + cost[k]
    path = np.zeros(K, np.int64)
    path[-1] = int(np.argmin(value))
    for k in range(K - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    return path


def load_replay(layout: Layout, file: str, *, plant: Plant | None = None) -> Replay:
    """The replay of a mapping file. Raises ``InputError`` with every mistake."""
    path = Path(file).expanduser()
    if not path.is_file():
        raise InputError([Mistake("--strategy", "", f"'{file}'", "an existing mapping file of a recording")])
    if path.suffix.lower() == ".csv":
        raise InputError([Mistake("--strategy", "", f"'{file}', a recording", f'its mapping file (TOML): recording = "{path.name}", then '
                                  '[columns] with time_s = "its column of time", engine_rpm and so on')])
    return Replay(load_recording(path, layout, file), f"replay:{file}")
