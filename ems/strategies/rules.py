"""Rules with a calibration: when the engine runs, in which gear, at which load; written in kinds and ratios, for any layout.

State: depleting or sustaining, engine wanted or not, series or not, a gear on either ladder, height above the start, since when power is
above its limit and since when the car brakes. All thresholds have hysteresis. The limit of power rises towards rest. The engine stops while
braking; behind a slipping clutch it gives what moves the car and no more, and does not run at rest; a shorter gear is taken where the
engine would be asked for more than its best power in it.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from ems.errors import InputError, Mistake, nearest_name
from ems.kernels.plant import COUPLED, free_range
from ems.layout.model import Layout
from ems.plant.plant import Plant, build_plant
from ems.strategies.calibration import Calibration, Rung, load_calibration
from ems.strategies.coming_back import MOST_ROOM, ComingBack
from ems.strategies.course import Course, undivided
from ems.strategies.engine_lines import EngineLines, engine_lines
from ems.strategies.protocol import Request, Situation
from ems.types import Array

GENERATOR_SHARE = 0.95      # of a generator's torque that is asked for at most; meshes and rounding take the rest


class Rules:
    """The rule-based strategy. Causal; what it does in a second depends on that second and its own state alone."""

    name = "rules"

    def __init__(self, plant: Plant, calibration: Calibration, name: str = "rules", where: str = "calibration") -> None:
        plant = undivided(plant)
        self.plant, self.calibration, self.name = plant, calibration, name
        self.lines: EngineLines = engine_lines(plant.layout.engine.engine)
        ids = {plant.configuration(n).id: n for n in range(len(plant.nodes))}
        _check(calibration, ids, plant.layout, where)
        other = calibration.layout not in ("", plant.layout.name)
        self.notes = (f"the calibration was made for layout {calibration.layout}",) if other else ()
        self.nodes = ids
        self.running = [bool(m) for m in plant.transitions.engine_mode]
        self.ratings = np.array([0.0, *(m.machine.rated_power_W for m in plant.layout.machines)])
        drivers = {m.name for m in plant.layout.machines if m.drives}
        self.driven_by_engine = [not drivers.intersection(plant.configuration(n).active) for n in range(len(plant.nodes))]
        self.electric = tuple(calibration.gears.electric)
        self.engaged = tuple(calibration.gears.engine)
        self.beside = calibration.series.configuration
        self.beside_slips = bool(self.beside) and bool(plant.configuration(ids[self.beside]).slipping)
        battery = plant.layout.battery
        high_J, low_J = float(battery.energy_J(battery.soc_high)), float(battery.energy_J(battery.soc_low))
        self.energy_per_charge_J = (high_J - low_J) / (battery.soc_high - battery.soc_low)

    def begin(self, course: Course) -> None:
        """Start of a trip: forget the last one."""
        self.course = course
        self.depleting = False
        self.wanted = False
        self.in_series = True
        self.gear = {True: 0, False: 0}
        self.geared_s = -1e9
        self.driven_s = 0.0         # last time at which the car did not brake
        self.within_s = 0.0         # last time at which power was within its limit
        self.above = ComingBack(self.plant.layout.vehicle.mass_kg, 0.0, self.calibration.charge.height_share)
        self.target = self.calibration.charge.target

    def decide(self, s: Situation) -> Request:
        """Engine or not, then configuration, then load."""
        able = self.course.able_configurations[s.interval]
        self._aim(s)
        self._deplete(s)
        engine = self._engine(s, able)
        name = self._with_engine(s, able) if engine else self._gear(s, self.electric, able, False)
        if name is None and not engine and s.speed_m_s == 0.0:
            name = next((i for i, n in self.nodes.items() if able[n] and not self.running[n]), None)
        if name is None:
            name = (self._gear(s, self.electric, able, False) if engine else self._with_engine(s, able)) or self._any(able, engine)
        if name is None:
            return Request(s.configuration)
        name = self._without_fuel(s, name, able)
        return self._load(s, self.nodes[name], name)

    # -- engine or not ---------------------------------------------------------------------------------------------------

    def _aim(self, s: Situation) -> None:
        """The charge aimed at now: the target less what comes back of height, within the middle of the window."""
        target, battery = self.calibration.charge.target, self.plant.layout.battery
        most = MOST_ROOM * min(target - battery.soc_low, battery.soc_high - target)
        coming = self.above.energy_J(s) / self.energy_per_charge_J
        self.target = target - min(max(coming, -most), most)

    def _deplete(self, s: Situation) -> None:
        charge = self.calibration.charge
        if s.soc > charge.deplete_above:
            self.depleting = True
        elif s.soc <= charge.sustain_below:
            self.depleting = False

    def _engine(self, s: Situation, able: Array) -> bool:
        """Whether the engine runs."""
        c = self.calibration
        speed_kmh, power_kW = c.electric.speed_kmh, c.electric.power_kW + self._charge(s) * c.electric.power_per_charge_kW
        if self.depleting:
            speed_kmh, power_kW = c.electric.depleting_speed_kmh, c.electric.depleting_power_kW
        kmh, kW = s.speed_kmh, 1e-3 * s.power_W
        if kmh < c.electric.slow_kmh:
            power_kW += c.electric.slow_power_kW * (1.0 - kmh / c.electric.slow_kmh)
        if kW >= 0.0:
            self.driven_s = s.time_s
        if kW <= power_kW:
            self.within_s = s.time_s
        braked = kW < 0.0 and s.time_s - self.driven_s >= c.engine.braking_s
        if braked or (kmh == 0.0 and self.beside_slips):
            self.wanted = False
        elif kmh > speed_kmh or (kW > power_kW and s.time_s - self.within_s >= c.electric.lasting_s):
            self.wanted = True
        elif kmh <= max(speed_kmh - c.electric.speed_hysteresis_kmh, 0.0) and kW <= max(power_kW - c.electric.power_hysteresis_kW, 0.0):
            self.wanted = False
        if self.electric and not any(able[self.nodes[r.configuration]] for r in self.electric):
            return True
        if s.node < 0:
            return self.wanted
        if s.engine_running and not self.wanted:
            return s.engine_since_s < c.engine.minimum_on_s
        if self.wanted and not s.engine_running:
            return s.engine_since_s >= c.engine.minimum_off_s
        return self.wanted

    def _charge(self, s: Situation) -> float:
        """Charge above the target, in tenths."""
        return 10.0 * (s.soc - self.target)

    # -- configuration -----------------------------------------------------------------------------------------------------

    def _with_engine(self, s: Situation, able: Array) -> str | None:
        series = self.calibration.series
        beside = self.beside if self.beside and able[self.nodes[self.beside]] else None
        limit = series.below_kmh + (series.hysteresis_kmh if self.in_series else 0.0)
        self.in_series = not self.engaged or s.speed_kmh < limit
        if self.in_series and beside:
            return beside
        return self._gear(s, self.engaged, able, True) or beside

    def _gear(self, s: Situation, rungs: tuple[Rung, ...], able: Array, engine: bool) -> str | None:
        """Gear of a ladder by its lines; the nearest one that is possible, shorter ones first."""
        if not rungs:
            return None
        gears = self.calibration.gears
        rise = gears.load_kmh_per_kW * max(1e-3 * s.power_W, 0.0) if engine else 0.0
        gear = self.gear[engine]
        if s.time_s - self.geared_s >= gears.dwell_s or not able[self.nodes[rungs[gear].configuration]]:
            while gear + 1 < len(rungs) and s.speed_kmh > rungs[gear].up_kmh + rise:
                gear += 1
            while gear > 0 and s.speed_kmh < rungs[gear].down_kmh + rise:
                gear -= 1
            while engine and gear > 0 and s.power_W > gears.kickdown_share * self._best_W(s, rungs[gear - 1]):
                gear -= 1
        order = sorted(range(len(rungs)), key=lambda i: (abs(i - gear), i))
        for i in order:
            if able[self.nodes[rungs[i].configuration]]:
                if i != self.gear[engine]:
                    self.gear[engine], self.geared_s = i, s.time_s
                return rungs[i].configuration
        return None

    def _best_W(self, s: Situation, rung: Rung) -> float:
        """Power of the engine on its line of best efficiency in a gear."""
        w = self._engine_speed(self.nodes[rung.configuration], s.speed_m_s / self.plant.layout.vehicle.wheel_radius_m, None)
        return w * self.lines.best_torque_Nm(w)

    def _without_fuel(self, s: Situation, name: str, able: Array) -> str:
        """While braking, the same configuration with the engine's fuel cut, where there is one."""
        cut = name.replace("on:", "cut:", 1)
        return cut if s.power_W < 0.0 and name.startswith("on:") and cut in self.nodes and able[self.nodes[cut]] else name

    def _any(self, able: Array, engine: bool) -> str | None:
        """A possible configuration where neither ladder has one: with the engine as wanted, if there is one."""
        names = [name for name, n in self.nodes.items() if able[n]]
        return next((name for name in names if self.running[self.nodes[name]] == engine), names[0] if names else None)

    # -- load ----------------------------------------------------------------------------------------------------------------

    def _load(self, s: Situation, node: int, name: str) -> Request:
        """Free choices of a configuration."""
        arrays, Tw = self.plant.arrays, s.force_N * self.plant.layout.vehicle.wheel_radius_m
        coupled = arrays.engine_mode[node] == COUPLED and bool(arrays.engine_free[node])
        speed = torque = None
        wheel_speed = s.speed_m_s / self.plant.layout.vehicle.wheel_radius_m
        if coupled:
            speed, torque = self._engine_point(s, node, wheel_speed)
        share = self._regenerated(s) if Tw < 0.0 else None
        if torque is not None and self.driven_by_engine[node]:
            return Request(name, regeneration=share, battery_power_W=None if Tw < 0.0 else self._terminal_W(
                s, node, wheel_speed, speed, torque))
        inner = None
        if self.calibration.machines.sharing == "rating" and arrays.inner_count[node]:
            inner = self._by_rating(s, node, wheel_speed, (torque or 0.0) * self._engine_speed(node, wheel_speed, speed), share)
        return Request(name, speed, torque, None, inner, share)

    def _engine_speed(self, node: int, wheel_speed: float, free: float | None) -> float:
        arrays = self.plant.arrays
        return float(arrays.source_wheel[node, 0]) * wheel_speed + float(arrays.source_free[node, 0]) * (free or 0.0)

    def _engine_point(self, s: Situation, node: int, wheel_speed: float) -> tuple[float | None, float]:
        """(free speed or None, torque) of the engine: between the demand and the line of best efficiency, shifted by the charge."""
        engine, lines, arrays = self.calibration.engine, self.lines, self.plant.arrays
        asked_kW = min(max(-self._charge(s) * engine.charge_per_charge_kW, -engine.charge_limit_kW), engine.charge_limit_kW)
        demand_W = max(s.power_W, 0.0) + s.auxiliary_W
        if not arrays.has_free[node]:
            w = self._engine_speed(node, wheel_speed, None)
            if s.power_W < 0.0:
                return None, 0.0
            power_W = self._towards(s, demand_W, w * lines.best_torque_Nm(w)) + 1e3 * asked_kW
            return None, min(max(power_W / w, 0.0), lines.full_load_Nm(w))
        low, high = free_range(arrays, node, wheel_speed)
        if self.plant.configuration(node).slipping:         # what an engine gives beyond what moves the car is heat in the clutch
            power_W = demand_W if s.power_W > 0.0 or self.driven_by_engine[node] else 0.0
            return low, min(power_W / low, lines.full_load_Nm(low))
        power_W = self._towards(s, demand_W, max(lines.best_power_W, demand_W)) + 1e3 * asked_kW
        w = min(max(lines.speed_rad_s(max(power_W, 0.0)), low), max(low, high))
        return w, min(max(power_W / w, 0.0), lines.full_load_Nm(w))

    def _terminal_W(self, s: Situation, node: int, wheel_speed: float, speed: float | None, torque: float) -> float:
        """Battery power asked for where no machine can drive: then the engine's torque is what the wheels take and what generators are
        to make, and only the second can be chosen; from nothing to what they can give at their speed."""
        arrays, layout = self.plant.arrays, self.plant.layout
        most_W = 0.0
        for m, use in enumerate(layout.machines, 1):
            w = float(arrays.source_wheel[node, m]) * wheel_speed + float(arrays.source_free[node, m]) * (speed or 0.0)
            peak_Nm = GENERATOR_SHARE * float(use.machine.torque_for_Nm(abs(w), use.machine.peak_time_s))
            most_W += max(peak_Nm * abs(w) - float(use.machine.loss_at_W(abs(w), -peak_Nm)), 0.0)
        beyond_W = self._engine_speed(node, wheel_speed, speed) * torque - max(s.power_W, 0.0) - s.auxiliary_W
        return -min(max(beyond_W, -s.auxiliary_W), most_W - s.auxiliary_W)

    def _towards(self, s: Situation, demand_W: float, line_W: float) -> float:
        """Power between the demand and the line; the pull fades where it would take the charge further from its target."""
        engine = self.calibration.engine
        beyond = s.soc - self.target
        away = beyond if line_W > demand_W else -beyond
        return demand_W + engine.best_line_share * min(max(1.0 - away / engine.fade_charge, 0.0), 1.0) * (line_W - demand_W)

    def _regenerated(self, s: Situation) -> float | None:
        """Share of the braking torque that is regenerated; None where it is all that is worth it."""
        regeneration = self.calibration.regeneration
        if s.speed_kmh < regeneration.fade_kmh:
            return 0.0
        return None if regeneration.share >= 1.0 else regeneration.share

    def _by_rating(self, s: Situation, node: int, wheel_speed: float, engine_W: float, share: float | None) -> tuple[float, ...]:
        """Torques of the machines that are free to choose: mechanical power shared by rating among the machines that carry load."""
        arrays, c = self.plant.arrays, self.plant.configuration(node)
        power_W = s.power_W * (1.0 if share is None else share) - engine_W
        active = [c.sources.index(name) for name in c.active if name != c.sources[0]]
        total = float(self.ratings[active].sum())
        torques = []
        for i in range(arrays.inner_count[node]):
            m = int(arrays.inner_source[node, i])
            w = float(arrays.source_wheel[node, m]) * wheel_speed
            torques.append(power_W * self.ratings[m] / total / w if abs(w) > 1.0 else 0.0)
        return tuple(torques)


def _check(calibration: Calibration, ids: dict[str, int], layout: Layout, where: str) -> None:
    """Every configuration named must exist, and the charge aimed at lie in the battery's window."""
    named = [(f"gears.{ladder}.{i}.configuration", r.configuration)
             for ladder in ("electric", "engine") for i, r in enumerate(getattr(calibration.gears, ladder), 1)]
    if calibration.series.configuration:
        named.append(("series.configuration", calibration.series.configuration))
    mistakes = [Mistake(where, key, f"'{name}'", "the id of a configuration, as `ems modes` lists them", nearest_name(name, ids))
                for key, name in named if name not in ids]
    battery, target = layout.battery, calibration.charge.target
    if not battery.soc_low <= target <= battery.soc_high:
        window = f"a state of charge in the window of battery {battery.name}, {battery.soc_low:g} to {battery.soc_high:g}"
        mistakes.append(Mistake(where, "charge.target", f"{target:g}", window))
    if mistakes:
        raise InputError(mistakes)


def load_rules(layout: Layout, file: str | None = None, *, plant: Plant | None = None) -> Rules:
    """The rules with a calibration file, or with the layout's default calibration: the frozen one of a shipped layout as shipped,
    otherwise the one that ``first_calibration`` derives.

    Raises ``InputError`` for a file with mistakes or configurations that the layout does not have.
    """
    plant = plant or build_plant(layout, lanes=1)
    if file is not None:
        path = Path(file).expanduser()
        if not path.is_file():
            raise InputError([Mistake("--strategy", "", f"'{file}'", "an existing calibration file")])
        return Rules(plant, load_calibration(path, file), f"rules:{file}", file)
    from ems.strategies.first_calibration import default_calibration

    return Rules(plant, default_calibration(plant))
