"""The engine: fuel rate over speed and torque, full load, and what starting it takes."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from ems.components.checks import (
    Rectangle,
    check_axis_covers,
    check_covered,
    check_increasing,
    check_rows,
    check_scale,
    rectangle,
)
from ems.components.componentfile import ComponentFile, Opened, open_component
from ems.components.csvfile import Columns
from ems.components.fuel import FUELS_FILE, Fuel, fuel
from ems.components.interpolation import bilinear
from ems.errors import InputError, Mistakes
from ems.inputfile import Number, quantity, raise_capped
from ems.library import data_root
from ems.types import Array

RAD_S_PER_RPM = math.pi / 30.0


class EngineFile(ComponentFile):
    """Keys of an engine file; ``map`` and ``full_load`` name CSV files beside it."""

    map: str = quantity("CSV file beside this one: speed_rpm, torque_Nm, fuel_g_s", "-")
    full_load: str = quantity("CSV file beside this one: speed_rpm, full_load_Nm", "-")
    fuel: str | dict[str, Any] = quantity("name of a shipped fuel, or a table with heating value, density, carbon", "-")
    idle_speed_rpm: Number = quantity("lowest speed at which it runs", "rpm", gt=0)
    max_speed_rpm: Number = quantity("highest speed", "rpm", gt=0)
    inertia_kgm2: Number = quantity("inertia of crankshaft and flywheel", "kg m2", ge=0)
    start_fuel_g: Number = quantity("fuel that a start takes beyond the map", "g", ge=0)
    cranking_torque_Nm: Number = quantity("torque that turns it until it fires", "Nm", ge=0)
    cranking_time_s: Number = quantity("time from standstill until it fires", "s", ge=0)


@dataclass(frozen=True, slots=True, eq=False)
class Engine:
    """A warm engine in steady state.

    speed_rad_s, torque_Nm : (n,), (m,) axes of the map, strictly increasing, torque from 0
    fuel_g_s               : (n, m), finite everywhere; above full load it only serves the interpolation
    limit_speed_rad_s, full_load_Nm : (p,) most torque over speed, linear between the points, within the map
    idle_rad_s, max_rad_s  : range of speeds in which it runs
    start_fuel_g, cranking_torque_Nm, cranking_time_s : what a start takes
    rated_power_W          : greatest power among the points of the full-load curve
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

    def fuel_rate_g_s(self, speed_rad_s: ArrayLike, torque_Nm: ArrayLike) -> Array:
        """Fuel rate between the nodes, bilinear; NaN outside the map. Shapes broadcast."""
        return bilinear(self.speed_rad_s, self.torque_Nm, self.fuel_g_s, speed_rad_s, torque_Nm)

    def scaled(self, rated_power_W: float, *, where: str = "rating_kW", key: str = "") -> Engine:
        """The same engine at another size: torque, fuel, inertia and the effort of a start in proportion to power.

        Speeds and efficiencies stay as they are. where, key : who asks, for the message.
        Raises ``InputError`` for a rating that is not above zero.
        """
        check_scale(rated_power_W, where, key)
        k = rated_power_W / self.rated_power_W
        return dataclasses.replace(
            self, torque_Nm=k * self.torque_Nm, fuel_g_s=k * self.fuel_g_s, full_load_Nm=k * self.full_load_Nm,
            inertia_kgm2=k * self.inertia_kgm2, start_fuel_g=k * self.start_fuel_g,
            cranking_torque_Nm=k * self.cranking_torque_Nm, rated_power_W=rated_power_W,
        )

    def best_efficiency(self) -> float:
        """Greatest shaft power over fuel power anywhere between idle and top speed, at or below full load.

        Exact for the bilinear map: along a line of constant speed or torque inside a cell the efficiency is a quotient
        of two linear functions, hence monotone, so the best point is a node, or lies on the full-load curve, on idle
        or on top speed.
        """
        speed = self._breaks_rad_s()
        full_Nm = np.interp(speed, self.limit_speed_rad_s, self.full_load_Nm)
        torque = np.minimum(self.torque_Nm[None, :], full_Nm[:, None])
        at_nodes = self._efficiency(speed[:, None], torque)
        return float(max(np.max(at_nodes), self._best_between(speed)))

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

    def _best_between(self, breaks_rad_s: Array) -> float:
        """Best efficiency on the full-load curve between the breaks.

        There shaft power and fuel are both quadratic in speed; their quotient has its extremes where
        N' D = N D', a quadratic equation (the cubic terms cancel).
        """
        best = 0.0
        for a, b in itertools.pairwise(breaks_rad_s):
            w = np.array([a, 0.5 * (a + b), b])
            torque = np.interp(w, self.limit_speed_rad_s, self.full_load_Nm)
            n = np.polyfit([-1.0, 0.0, 1.0], torque * w, 2)
            d = np.polyfit([-1.0, 0.0, 1.0], self.fuel_rate_g_s(w, torque), 2)
            roots = np.roots([n[0] * d[1] - n[1] * d[0], 2 * (n[0] * d[2] - n[2] * d[0]), n[1] * d[2] - n[2] * d[1]])
            for t in roots[np.isreal(roots)].real:
                if -1.0 < t < 1.0:
                    at = 0.5 * (a + b) + 0.5 * (b - a) * t
                    full = np.interp(at, self.limit_speed_rad_s, self.full_load_Nm)
                    best = max(best, float(self._efficiency(at, full)))
        return best

    def _efficiency(self, speed_rad_s: ArrayLike, torque_Nm: ArrayLike) -> Array:
        """Shaft power over fuel power; zero where no fuel is burnt."""
        fuel_W = self.fuel_rate_g_s(speed_rad_s, torque_Nm) * self.fuel.heating_value_J_g
        shaft_W = np.asarray(speed_rad_s) * np.asarray(torque_Nm)
        efficiency: Array = np.where(fuel_W > 0, shaft_W / np.where(fuel_W > 0, fuel_W, 1.0), 0.0)
        return efficiency


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
    grid = _check_map(points, burnt, mistakes) if points is not None else None
    if curve is not None:
        _check_curve(curve, points, mistakes)
    _check_speeds(opened, points, curve, mistakes)
    raise_capped(mistakes)
    assert burnt is not None and points is not None and curve is not None and grid is not None
    speed_rad_s, full_Nm = curve["speed_rpm"] * RAD_S_PER_RPM, curve["full_load_Nm"]
    return Engine(
        name=opened.name, title=opened.title, fuel=burnt,
        speed_rad_s=grid.x * RAD_S_PER_RPM, torque_Nm=grid.y, fuel_g_s=points["fuel_g_s"][grid.row],
        limit_speed_rad_s=speed_rad_s, full_load_Nm=full_Nm,
        idle_rad_s=data.idle_speed_rpm * RAD_S_PER_RPM, max_rad_s=data.max_speed_rpm * RAD_S_PER_RPM,
        inertia_kgm2=data.inertia_kgm2, start_fuel_g=data.start_fuel_g, cranking_torque_Nm=data.cranking_torque_Nm,
        cranking_time_s=data.cranking_time_s, rated_power_W=float(np.max(speed_rad_s * full_Nm)),
        source=opened.source, invented=data.invented or points.invented or curve.invented,
        files=(*opened.files, opened.csv_path("map"), opened.csv_path("full_load"), *_fuel_file(data)),
    )


def _fuel(opened: Opened[EngineFile], mistakes: Mistakes) -> Fuel | None:
    try:
        return fuel(opened.data.fuel, *opened.place("fuel"))
    except InputError as error:
        mistakes.extend(error)
        return None


def _fuel_file(data: EngineFile) -> tuple[Path, ...]:
    return (data_root() / FUELS_FILE,) if isinstance(data.fuel, str) else ()


def _check_map(points: Columns, burnt: Fuel | None, mistakes: Mistakes) -> Rectangle | None:
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
    if torque.min() > 0:
        mistakes.add(points.where, "column torque_Nm", f"a lowest torque of {torque.min():g}", "rows at torque 0")
    return rectangle(points, "speed_rpm", "torque_Nm", mistakes)


def _check_curve(curve: Columns, points: Columns | None, mistakes: Mistakes) -> None:
    check_increasing(curve, "speed_rpm", mistakes)
    check_rows(curve, "full_load_Nm", curve["full_load_Nm"] <= 0, "more than zero", mistakes)
    if points is not None:
        speed, top_Nm = points["speed_rpm"], points["torque_Nm"].max()
        check_axis_covers(curve, "speed_rpm", speed.min(), speed.max(), points.where, mistakes)
        check_rows(curve, "full_load_Nm", curve["full_load_Nm"] > top_Nm,
                   f"at most {top_Nm:g}, the highest torque of {points.where}: maps are not extrapolated", mistakes)


def _check_speeds(
    opened: Opened[EngineFile], points: Columns | None, curve: Columns | None, mistakes: Mistakes
) -> None:
    data = opened.data
    if data.idle_speed_rpm >= data.max_speed_rpm:
        mistakes.add(*opened.place("idle_speed_rpm"), f"{data.idle_speed_rpm:g} rpm",
                     f"less than max_speed_rpm, {data.max_speed_rpm:g}")
    for table in (points, curve):
        if table is not None:
            low, high = table["speed_rpm"].min(), table["speed_rpm"].max()
            for name in ("idle_speed_rpm", "max_speed_rpm"):
                check_covered(opened.place(name), getattr(data, name), "rpm", low, high, table.where, mistakes)
