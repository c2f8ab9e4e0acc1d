"""The engine: fuel rate over speed and torque, full load, and what starting it takes."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from pydantic import StrictBool

from ems.components.checks import check_axis_covers, check_covered, check_increasing, check_rows, check_scale
from ems.components.coldstart import COLUMNS as COLD_COLUMNS
from ems.components.coldstart import ColdStart, ColdTable, cold_start
from ems.components.componentfile import ComponentFile, Opened, open_component
from ems.components.csvfile import Columns
from ems.components.fuel import FUELS_FILE, Fuel, fuel
from ems.components.gridding import Grid, Surface, rectangular, scattered
from ems.components.interpolation import bilinear
from ems.errors import InputError, Mistakes
from ems.inputfile import Number, quantity, raise_capped
from ems.library import data_root
from ems.quantities import RAD_S_PER_RPM
from ems.types import Array

GRID = (31, 41)
"""Speeds and torques of a map made from scattered points."""
SCATTERED = "whether the rows of map are bench points that fill no rectangle, to be gridded"


class EngineFile(ComponentFile):
    """Keys of an engine file; ``map`` and ``full_load`` name CSV files beside it."""

    map: str = quantity("CSV file beside this one: speed_rpm, torque_Nm, fuel_g_s", "-")
    full_load: str = quantity("CSV file beside this one: speed_rpm, full_load_Nm", "-")
    fuel: str | dict[str, Any] = quantity("name of a shipped fuel, or a table with heating value, density, carbon", "-")
    idle_speed_rpm: Number = quantity("lowest speed at which it runs", "rpm", gt=0)
    max_speed_rpm: Number = quantity("highest speed", "rpm", gt=0)
    inertia_kgm2: Number = quantity("inertia of crankshaft and flywheel", "kg m2", ge=0)
    start_fuel_g: Number = quantity("fuel that a start takes beyond the map", "g", ge=0)
    cranking_torque_Nm: Number = quantity("torque that turns it until it fires", "N m", ge=0)
    cranking_time_s: Number = quantity("time from standstill until it fires", "s", ge=0)
    scattered: StrictBool = quantity(SCATTERED, "-", default=False)
    motoring: str | None = quantity("CSV file beside this one: speed_rpm, motoring_Nm (drag while turned with fuel cut, "
                                    "a positive number)", "-", default=None)
    minimum_on_s: Number = quantity("least time it runs after a start", "s", default=0.0, ge=0, le=600)
    minimum_off_s: Number = quantity("least time it stays off after a stop", "s", default=0.0, ge=0, le=600)
    speed_ramp_rpm_s: Number | None = quantity("most change of its speed by second where that is free; without it any", "rpm/s",
                                               default=None, gt=0)
    mass_kg: Number = quantity("its mass, counted in the vehicle's already", "kg", default=0.0, ge=0)
    cold: ColdTable | None = quantity("how it warms up from a cold start", "-", default=None)


def no_curve() -> Array:
    """A curve without points."""
    return np.zeros(0)


@dataclass(frozen=True, slots=True, eq=False)
class Engine:
    """A warm engine in steady state.

    speed_rad_s, torque_Nm : (n,), (m,) axes of the map, strictly increasing, torque from 0
    fuel_g_s               : (n, m), finite everywhere; above full load it only serves the interpolation
    limit_speed_rad_s, full_load_Nm : (p,) most torque over speed, linear between the points, within the map
    idle_rad_s, max_rad_s  : range of speeds in which it runs
    start_fuel_g, cranking_torque_Nm, cranking_time_s : what a start takes
    rated_power_W          : greatest power among the points of the full-load curve
    motoring_speed_rad_s, motoring_Nm : (q,) drag, positive, while turned with fuel cut; empty when not known
    minimum_on_s, minimum_off_s : least time on after a start, off after a stop
    speed_ramp_rad_s2      : most change of a free speed by second, either way; inf without a limit
    mass_kg                : its mass, counted in the vehicle's already
    cold                   : how it warms up; None for an engine that is always warm
    notes                  : what was done to the maps, with the error it left
    """

    name: str
    title: str
    fuel: Fuel
    speed_rad_s: Array
    torque_Nm: Array
    fuel_g_s: Array
    limit_speed_rad_s: Array
    full_load_Nm: Array
    idle_rad_s: float
    max_rad_s: float
    inertia_kgm2: float
    start_fuel_g: float
    cranking_torque_Nm: float
    cranking_time_s: float
    rated_power_W: float
    source: str
    invented: bool
    files: tuple[Path, ...]
    motoring_speed_rad_s: Array = field(default_factory=no_curve)
    motoring_Nm: Array = field(default_factory=no_curve)
    minimum_on_s: float = 0.0
    minimum_off_s: float = 0.0
    speed_ramp_rad_s2: float = math.inf
    mass_kg: float = 0.0
    cold: ColdStart | None = None
    notes: tuple[str, ...] = ()

    def fuel_rate_g_s(self, speed_rad_s: ArrayLike, torque_Nm: ArrayLike) -> Array:
        """Fuel rate between the nodes, bilinear; NaN outside the map. Shapes broadcast."""
        return bilinear(self.speed_rad_s, self.torque_Nm, self.fuel_g_s, speed_rad_s, torque_Nm)

    def motoring_drag_Nm(self, speed_rad_s: ArrayLike) -> Array:
        """Drag while turned with fuel cut, positive; NaN outside the curve, and everywhere without one. Any shape."""
        speed = np.asarray(speed_rad_s, dtype=np.float64)
        if not self.motoring_Nm.size:
            return np.full(speed.shape, np.nan)
        return np.interp(speed, self.motoring_speed_rad_s, self.motoring_Nm, left=np.nan, right=np.nan)

    @property
    def cranking_energy_J(self) -> float:
        """Work against the cranking torque until it fires, its speed rising evenly to idle; kinetic energy comes on top."""
        return self.cranking_torque_Nm * 0.5 * self.idle_rad_s * self.cranking_time_s

    @property
    def most_fuel_W(self) -> float:
        """Greatest fuel power at any choice, as cold as it may start; exact for the bilinear map, see ``best_efficiency``."""
        speed = self._breaks_rad_s()
        rate = self.fuel_rate_g_s(speed[:, None], self._torques_Nm(speed))
        along = (float(self.fuel_rate_g_s(w, t)) for _, d, at in self._full_load_pieces(speed)
                 for w, t in at(_inner_roots(np.polyder(d))))
        factor = 1.0 if self.cold is None else float(self.cold.factor(self.cold.start_C))
        return factor * max(float(np.max(rate)), *along, 0.0) * self.fuel.heating_value_J_g

    def scaled(self, rated_power_W: float, *, where: str = "rating_kW", key: str = "") -> Engine:
        """The same engine at another size: torque, fuel, drag, inertia, mass, heat and the effort of a start in proportion to
        power.

        Speeds, times, temperatures and efficiencies stay as they are: mean effective pressure and mean piston speed are kept
        and the displacement changes (the similarity of Heywood, Internal Combustion Engine Fundamentals, and of Guzzella and
        Sciarretta's Willans line; from memory). Inertia and mass in proportion are common practice, no source.
        where, key : who asks, for the message.
        Raises ``InputError`` for a rating that is not above zero.
        """
        check_scale(rated_power_W, where, key)
        k = rated_power_W / self.rated_power_W
        return dataclasses.replace(
            self, torque_Nm=k * self.torque_Nm, fuel_g_s=k * self.fuel_g_s, full_load_Nm=k * self.full_load_Nm,
            inertia_kgm2=k * self.inertia_kgm2, start_fuel_g=k * self.start_fuel_g,
            cranking_torque_Nm=k * self.cranking_torque_Nm, rated_power_W=rated_power_W, motoring_Nm=k * self.motoring_Nm,
            mass_kg=k * self.mass_kg, cold=None if self.cold is None else self.cold.scaled(k),
        )

    def best_efficiency(self) -> float:
        """Greatest shaft power over fuel power anywhere between idle and top speed, at or below full load."""
        return self.best_point()[0]

    def best_point(self) -> tuple[float, float, float]:
        """Greatest efficiency, and the speed [rad/s] and torque [N m] it is reached at.

        Exact for the bilinear map: along a line of constant speed or torque inside a cell the efficiency is a quotient
        of two linear functions, hence monotone, so the best point is a node, or lies on the full-load curve, on idle
        or on top speed.
        """
        speed = self._breaks_rad_s()
        torque = self._torques_Nm(speed)
        at_nodes = self._efficiency(speed[:, None], torque)
        i, j = np.unravel_index(int(np.argmax(at_nodes)), at_nodes.shape)
        return max((float(at_nodes[i, j]), float(speed[i]), float(torque[i, j])), *self._best_between(speed))

    def best_line(self, power_W: ArrayLike, speeds: int = 400) -> tuple[Array, Array, Array]:
        """Speed [rad/s], torque [N m] and efficiency where each shaft power takes the least fuel; each (p,), NaN where none gives it.

        power_W : (p,) above zero      speeds : how many speeds from idle to top speed are compared
        """
        power = np.asarray(power_W, dtype=np.float64)[:, None]
        speed = np.linspace(self.idle_rad_s, self.max_rad_s, speeds)[None, :]
        torque = power / speed
        possible = torque <= np.interp(speed, self.limit_speed_rad_s, self.full_load_Nm) * (1.0 + 1e-12)
        efficiency = np.where(possible, self._efficiency(speed, np.where(possible, torque, 0.0)), -1.0)
        best = np.argmax(efficiency, axis=1)
        row = np.arange(best.size)
        ok = efficiency[row, best] > 0.0
        return (np.where(ok, speed[0, best], np.nan), np.where(ok, torque[row, best], np.nan),
                np.where(ok, efficiency[row, best], np.nan))

    def _torques_Nm(self, speed_rad_s: Array) -> Array:
        """(n, m) torques of the map at each speed, cut at full load."""
        full_Nm = np.interp(speed_rad_s, self.limit_speed_rad_s, self.full_load_Nm)
        return np.minimum(self.torque_Nm[None, :], full_Nm[:, None])

    def _breaks_rad_s(self) -> Array:
        """Speeds between which full load and fuel along it are smooth: nodes of both, and where it crosses a torque of
        the map."""
        crossings = []
        for a, b, low, high in zip(self.limit_speed_rad_s, self.limit_speed_rad_s[1:], self.full_load_Nm,
                                   self.full_load_Nm[1:], strict=False):
            if low != high:
                t = (self.torque_Nm - low) / (high - low)
                crossings += list(a + (b - a) * t[(t > 0) & (t < 1)])
        speed = np.unique([*self.speed_rad_s, *self.limit_speed_rad_s, *crossings, self.idle_rad_s, self.max_rad_s])
        inside: Array = speed[(speed >= self.idle_rad_s) & (speed <= self.max_rad_s)]
        return inside

    def _best_between(self, breaks_rad_s: Array) -> list[tuple[float, float, float]]:
        """Extremes of efficiency on the full-load curve between the breaks, with speed and torque.

        There shaft power and fuel are both quadratic in speed; their quotient has its extremes where
        N' D = N D', a quadratic equation (the cubic terms cancel).
        """
        found = [(0.0, 0.0, 0.0)]
        for n, d, at in self._full_load_pieces(breaks_rad_s):
            extremes = [n[0] * d[1] - n[1] * d[0], 2 * (n[0] * d[2] - n[2] * d[0]), n[1] * d[2] - n[2] * d[1]]
            found += [(float(self._efficiency(w, t)), float(w), float(t)) for w, t in at(_inner_roots(extremes))]
        return found

    def _full_load_pieces(
        self, breaks_rad_s: Array
    ) -> Iterator[tuple[Array, Array, Callable[[Array], list[tuple[float, float]]]]]:
        """Each piece of the full-load curve: shaft power and fuel rate as quadratics of t in -1..1, and (speed, torque) at t."""
        for a, b in itertools.pairwise(breaks_rad_s):
            speed = np.array([a, 0.5 * (a + b), b])
            torque = np.interp(speed, self.limit_speed_rad_s, self.full_load_Nm)

            def at(t: Array, w: Array = speed) -> list[tuple[float, float]]:
                where = w[1] + 0.5 * (w[2] - w[0]) * t
                return list(zip(where, np.interp(where, self.limit_speed_rad_s, self.full_load_Nm), strict=True))

            yield (np.polyfit([-1.0, 0.0, 1.0], torque * speed, 2),
                   np.polyfit([-1.0, 0.0, 1.0], self.fuel_rate_g_s(speed, torque), 2), at)

    def _efficiency(self, speed_rad_s: ArrayLike, torque_Nm: ArrayLike) -> Array:
        """Shaft power over fuel power; zero where no fuel is burnt."""
        fuel_W = self.fuel_rate_g_s(speed_rad_s, torque_Nm) * self.fuel.heating_value_J_g
        shaft_W = np.asarray(speed_rad_s) * np.asarray(torque_Nm)
        efficiency: Array = np.where(fuel_W > 0, shaft_W / np.where(fuel_W > 0, fuel_W, 1.0), 0.0)
        return efficiency


def _inner_roots(polynomial: ArrayLike) -> Array:
    """Real roots between -1 and 1."""
    roots = np.roots(np.atleast_1d(polynomial))
    real = roots[np.isreal(roots)].real
    inner: Array = real[np.abs(real) < 1.0]
    return inner


def load_engine(
    word: object, *, where: str, key: str, beside: Path | None = None, overrides: Mapping[str, object] | None = None
) -> Engine:
    """An engine by short name, path or table (see ``open_component``).

    Raises ``InputError`` with every mistake in the file, its map and its full-load curve.
    """
    opened = open_component("engine", word, EngineFile, where=where, key=key, beside=beside, overrides=overrides)
    data, mistakes = opened.data, Mistakes()
    burnt = _fuel(opened, mistakes)
    points = opened.read_csv("map", ("speed_rpm", "torque_Nm", "fuel_g_s"), mistakes=mistakes)
    curve = opened.read_csv("full_load", ("speed_rpm", "full_load_Nm"), mistakes=mistakes)
    motoring = opened.read_csv("motoring", ("speed_rpm", "motoring_Nm"), mistakes=mistakes)
    warming = opened.read_csv("cold.curve", COLD_COLUMNS, mistakes=mistakes)
    rigid = None if data.scattered else points        # a surface through scattered points reaches as far as it is needed
    if curve is not None:
        check_full_load(curve, rigid, mistakes)
    if motoring is not None:
        check_motoring(motoring, mistakes)
    _check_speeds(opened, (rigid, curve, motoring), mistakes)
    grid = None if points is None else _map(opened, points, curve, burnt, mistakes)
    cold = None if warming is None or data.cold is None else cold_start(data.cold, warming, opened.place("cold.start_C"), mistakes)
    raise_capped(mistakes)
    assert burnt is not None and points is not None and curve is not None and grid is not None
    speed_rad_s, full_Nm = curve["speed_rpm"] * RAD_S_PER_RPM, curve["full_load_Nm"]
    return Engine(
        name=opened.name, title=opened.title, fuel=burnt,
        speed_rad_s=grid.speed_rpm * RAD_S_PER_RPM, torque_Nm=grid.torque_Nm, fuel_g_s=grid.value,
        limit_speed_rad_s=speed_rad_s, full_load_Nm=full_Nm,
        idle_rad_s=data.idle_speed_rpm * RAD_S_PER_RPM, max_rad_s=data.max_speed_rpm * RAD_S_PER_RPM,
        inertia_kgm2=data.inertia_kgm2, start_fuel_g=data.start_fuel_g, cranking_torque_Nm=data.cranking_torque_Nm,
        cranking_time_s=data.cranking_time_s, rated_power_W=float(np.max(speed_rad_s * full_Nm)),
        source=opened.source, invented=data.invented or any(t.invented for t in (points, curve, motoring, warming) if t is not None),
        files=(*opened.files, *opened.csv_paths("map", "full_load", "motoring", "cold.curve"), *_fuel_file(data)),
        motoring_speed_rad_s=no_curve() if motoring is None else motoring["speed_rpm"] * RAD_S_PER_RPM,
        motoring_Nm=no_curve() if motoring is None else motoring["motoring_Nm"],
        minimum_on_s=data.minimum_on_s, minimum_off_s=data.minimum_off_s,
        speed_ramp_rad_s2=math.inf if data.speed_ramp_rpm_s is None else data.speed_ramp_rpm_s * RAD_S_PER_RPM,
        mass_kg=data.mass_kg, cold=cold, notes=tuple(filter(None, [grid.note])),
    )


def _fuel(opened: Opened[EngineFile], mistakes: Mistakes) -> Fuel | None:
    try:
        return fuel(opened.data.fuel, *opened.place("fuel"))
    except InputError as error:
        mistakes.extend(error)
        return None


def _fuel_file(data: EngineFile) -> tuple[Path, ...]:
    return (data_root() / FUELS_FILE,) if isinstance(data.fuel, str) else ()


def _map(
    opened: Opened[EngineFile], points: Columns, curve: Columns | None, burnt: Fuel | None, mistakes: Mistakes
) -> Grid | None:
    """The fuel map, gridded where the file says that its points are scattered."""
    if not opened.data.scattered:
        return check_map(points, burnt, mistakes)
    check_points(points, burnt, mistakes)
    if curve is None or mistakes.found:
        return None
    speeds = (opened.data.idle_speed_rpm, opened.data.max_speed_rpm, *points.range("speed_rpm"), *curve.range("speed_rpm"))
    top_Nm = max(points.range("torque_Nm")[1], curve.range("full_load_Nm")[1])
    return grid_points(points, burnt, (min(speeds), max(speeds)), top_Nm, lambda rpm: np.interp(
        rpm, curve["speed_rpm"], curve["full_load_Nm"]), mistakes)


def check_points(points: Columns, burnt: Fuel | None, mistakes: Mistakes) -> None:
    """Row by row: an engine that turns, drives and burns what it must."""
    speed, torque, rate = points["speed_rpm"], points["torque_Nm"], points["fuel_g_s"]
    check_rows(points, "speed_rpm", speed <= 0, "a speed above zero", mistakes)
    check_rows(points, "torque_Nm", torque < 0, "a torque of zero or more", mistakes)
    check_rows(points, "fuel_g_s", rate < 0, "a fuel rate of zero or more", mistakes)
    power_W = speed * RAD_S_PER_RPM * torque
    check_rows(points, "fuel_g_s", (rate == 0) & (power_W > 0), "more than zero where the engine gives power", mistakes)
    if burnt is not None:
        least = power_W / burnt.heating_value_J_g
        check_rows(
            points, "fuel_g_s", (rate > 0) & (rate < least),
            lambda i: f"more than {least[i]:.4g}, the fuel that holds {power_W[i] / 1e3:.4g} kW",
            mistakes, lambda i: f"{rate[i]:g} (efficiency {least[i] / rate[i]:.3g}, above one)",
        )


def check_map(points: Columns, burnt: Fuel | None, mistakes: Mistakes) -> Grid | None:
    """A map whose rows fill a rectangle; None with the reasons in ``mistakes``."""
    check_points(points, burnt, mistakes)
    lowest = points.range("torque_Nm")[0]
    if lowest > 0:
        mistakes.add(points.where, "column torque_Nm", f"a lowest torque of {lowest:g}", "rows at torque 0")
    return rectangular(points, points["fuel_g_s"], mistakes)


def grid_points(
    points: Columns, burnt: Fuel | None, speeds_rpm: tuple[float, float], top_Nm: float,
    full_load_Nm: Callable[[Array], Array], mistakes: Mistakes,
) -> Grid | None:
    """Scattered points made a map from torque 0 to ``top_Nm``; None with the reasons in ``mistakes``.

    Above full load, where it only serves the interpolation, the fuel is raised where need be to what holds the power.
    """
    speed, torque = np.linspace(*speeds_rpm, GRID[0]), np.linspace(0.0, top_Nm, GRID[1])
    in_use = torque[None, :] <= full_load_Nm(speed)[:, None]
    grid = scattered(points, points["fuel_g_s"], Surface("g/s", True, 1, speed, torque, in_use), mistakes)
    if grid is None:
        return None
    heating_value = burnt.heating_value_J_g if burnt is not None else math.inf
    least = speed[:, None] * RAD_S_PER_RPM * torque / heating_value
    for i, j in np.argwhere(in_use & ((grid.value <= least) | (grid.value < 0.0))):
        mistakes.add(points.where, f"speed_rpm {speed[i]:.4g}, torque_Nm {torque[j]:.4g}",
                     f"{grid.value[i, j]:.3g} g/s from the surface through the bench points",
                     f"more than {least[i, j]:.3g}; check the points near")
    return dataclasses.replace(grid, value=np.maximum(grid.value, least))


def check_full_load(curve: Columns, points: Columns | None, mistakes: Mistakes) -> None:
    """Full load, within the map when that is given."""
    check_increasing(curve, "speed_rpm", mistakes)
    check_rows(curve, "full_load_Nm", curve["full_load_Nm"] <= 0, "more than zero", mistakes)
    if points is not None:
        top_Nm = points.range("torque_Nm")[1]
        check_axis_covers(curve, "speed_rpm", *points.range("speed_rpm"), points.where, mistakes)
        check_rows(curve, "full_load_Nm", curve["full_load_Nm"] > top_Nm,
                   f"at most {top_Nm:g}, the highest torque of {points.where}: maps are not extrapolated", mistakes)


def _check_speeds(
    opened: Opened[EngineFile], tables: Sequence[Columns | None], mistakes: Mistakes
) -> None:
    data = opened.data
    if data.idle_speed_rpm >= data.max_speed_rpm:
        mistakes.add(*opened.place("idle_speed_rpm"), f"{data.idle_speed_rpm:g} rpm",
                     f"less than max_speed_rpm, {data.max_speed_rpm:g}")
    for table in tables:
        if table is not None:
            for name in ("idle_speed_rpm", "max_speed_rpm"):
                check_covered(opened.place(name), getattr(data, name), "rpm", *table.range("speed_rpm"), table.where, mistakes)


def check_motoring(curve: Columns, mistakes: Mistakes) -> None:
    """Drag as a positive torque."""
    check_increasing(curve, "speed_rpm", mistakes)
    check_rows(curve, "speed_rpm", curve["speed_rpm"] < 0, "a speed of zero or more", mistakes)
    check_rows(curve, "motoring_Nm", curve["motoring_Nm"] < 0, "zero or more: drag is written as a positive torque", mistakes)
