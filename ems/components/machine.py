"""An electric machine with its inverter: loss over speed and torque, peak and continuous torque."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike
from pydantic import StrictBool

from ems.components.checks import check_axis_covers, check_covered, check_increasing, check_rows, check_scale
from ems.components.componentfile import ComponentFile, Opened, open_component
from ems.components.csvfile import Columns
from ems.components.gridding import Grid, Surface, rectangular, scattered
from ems.components.interpolation import bilinear
from ems.components.pulse import overload
from ems.errors import Mistakes
from ems.inputfile import Number, quantity, raise_capped
from ems.quantities import RAD_S_PER_RPM
from ems.types import Array

GRID = (29, 41)
"""Speeds and torques of a map made from scattered points."""
SCATTERED = "whether the rows of map are bench points that fill no rectangle, to be gridded"
ROUNDING = 1e-6
"""Share of the power by which a loss taken from an electrical power may miss zero."""


class MachineFile(ComponentFile):
    """Keys of a machine file; ``map`` and ``limits`` name CSV files beside it."""

    map: str = quantity("CSV file beside this one: speed_rpm, torque_Nm, and loss_W or electrical_power_W", "-")
    limits: str = quantity("CSV file beside this one: speed_rpm, peak_Nm, continuous_Nm", "-")
    max_speed_rpm: Number = quantity("highest speed, either way round", "rpm", gt=0)
    inertia_kgm2: Number = quantity("inertia of the rotor", "kg m2", ge=0)
    peak_time_s: Number = quantity("how long it may give its peak torque", "s", gt=0)
    scattered: StrictBool = quantity(SCATTERED, "-", default=False)
    standby_W: Number = quantity("power that machine and inverter take at every moment on top of the map", "W", default=0.0,
                                 ge=0, le=10_000)
    mass_kg: Number = quantity("its mass with the inverter's, counted in the vehicle's already", "kg", default=0.0, ge=0)


@dataclass(frozen=True, slots=True, eq=False)
class Machine:
    """An electric machine with inverter.

    speed_rad_s, torque_Nm : (n,), (m,) axes of the map, strictly increasing; speed from 0, torque from -max to max
                             with 0 in it
    loss_W                 : (n, m) electrical minus mechanical power, never negative; at negative speed the map is
                             mirrored, (w, T) -> (-w, -T)
    limit_speed_rad_s, peak_Nm, continuous_Nm : (p,) greatest torque over speed, in all four quadrants, from speed 0
    max_rad_s              : highest speed
    peak_time_s            : how long the peak torque may last
    rated_power_W          : greatest peak power among the points of the curve
    standby_W              : electrical power on top of the map at every moment, at standstill too
    mass_kg                : its mass with the inverter's, counted in the vehicle's already
    notes                  : what was done to the map, with the error it left
    """

    name: str
    title: str
    speed_rad_s: Array
    torque_Nm: Array
    loss_W: Array
    limit_speed_rad_s: Array
    peak_Nm: Array
    continuous_Nm: Array
    max_rad_s: float
    inertia_kgm2: float
    peak_time_s: float
    rated_power_W: float
    source: str
    invented: bool
    files: tuple[Path, ...]
    standby_W: float = 0.0
    mass_kg: float = 0.0
    notes: tuple[str, ...] = ()

    def torque_for_Nm(self, speed_rad_s: ArrayLike, duration_s: float) -> Array:
        """Most torque held for a duration, either way round; NaN beyond the curve. See ``pulse.overload`` for the rule."""
        speed = np.abs(np.asarray(speed_rad_s, dtype=np.float64))
        peak, continuous = (np.interp(speed, self.limit_speed_rad_s, y, right=np.nan) for y in (self.peak_Nm, self.continuous_Nm))
        return overload(duration_s, peak, continuous, self.peak_time_s)

    def loss_at_W(self, speed_rad_s: ArrayLike, torque_Nm: ArrayLike) -> Array:
        """Loss between the nodes, bilinear, in all four quadrants; NaN outside the map. Shapes broadcast."""
        speed, torque = np.broadcast_arrays(np.asarray(speed_rad_s, float), np.asarray(torque_Nm, float))
        return bilinear(self.speed_rad_s, self.torque_Nm, self.loss_W, np.abs(speed),
                        np.where(speed < 0, -torque, torque))

    def efficiency(self, speed_rad_s: ArrayLike, torque_Nm: ArrayLike) -> Array:
        """Power out over power in, driving or generating; NaN outside the map, 0 where losses leave nothing. Shapes broadcast."""
        loss_W = self.loss_at_W(speed_rad_s, torque_Nm)
        shaft_W = np.abs(np.asarray(speed_rad_s, float) * np.asarray(torque_Nm, float))
        drives = np.asarray(speed_rad_s, float) * np.asarray(torque_Nm, float) > 0.0
        into_W = np.where(drives, shaft_W + loss_W, np.maximum(shaft_W, 1e-9))
        out_W = np.where(drives, shaft_W, np.maximum(shaft_W - loss_W, 0.0))
        return np.where(np.isnan(loss_W), np.nan, out_W / into_W)

    def scaled(self, rated_power_W: float, *, where: str = "rating_kW", key: str = "") -> Machine:
        """The same machine at another size: torque, losses, inertia and mass in proportion to power, speeds and times as they are.

        So it would be for a stack of another length at the same cross-section: torque, iron and copper losses go with the length,
        end windings apart (S. Stipetic, D. Zarko and M. Popescu, Ultra-fast axial and radial scaling of synchronous permanent
        magnet machines, IET Electric Power Applications 10(7), 2016; from memory).
        where, key : who asks, for the message. Raises ``InputError`` for a rating that is not above zero.
        """
        check_scale(rated_power_W, where, key)
        k = rated_power_W / self.rated_power_W
        return dataclasses.replace(
            self, torque_Nm=k * self.torque_Nm, loss_W=k * self.loss_W, peak_Nm=k * self.peak_Nm,
            continuous_Nm=k * self.continuous_Nm, inertia_kgm2=k * self.inertia_kgm2, rated_power_W=rated_power_W,
            standby_W=k * self.standby_W, mass_kg=k * self.mass_kg,
        )


def load_machine(
    word: object, *, where: str, key: str, beside: Path | None = None, overrides: Mapping[str, object] | None = None
) -> Machine:
    """A machine by short name, path or table (see ``open_component``).

    Raises ``InputError`` with every mistake in the file, its map and its curve of limits.
    """
    opened = open_component("machine", word, MachineFile, where=where, key=key, beside=beside, overrides=overrides)
    data, mistakes = opened.data, Mistakes()
    points = opened.read_csv("map", ("speed_rpm", "torque_Nm"), ("loss_W", "electrical_power_W"), mistakes=mistakes)
    curve = opened.read_csv("limits", ("speed_rpm", "peak_Nm", "continuous_Nm"), mistakes=mistakes)
    rigid = None if data.scattered else points        # a surface through scattered points reaches as far as it is needed
    if curve is not None:
        check_limits(curve, rigid, mistakes)
    for table in (rigid, curve):
        if table is not None:
            check_covered(opened.place("max_speed_rpm"), data.max_speed_rpm, "rpm", 0.0, table.range("speed_rpm")[1],
                          table.where, mistakes)
    grid = None if points is None else _map(opened, points, curve, mistakes)
    raise_capped(mistakes)
    assert points is not None and curve is not None and grid is not None
    speed_rad_s = curve["speed_rpm"] * RAD_S_PER_RPM
    return Machine(
        name=opened.name, title=opened.title, speed_rad_s=grid.speed_rpm * RAD_S_PER_RPM, torque_Nm=grid.torque_Nm,
        loss_W=grid.value, limit_speed_rad_s=speed_rad_s, peak_Nm=curve["peak_Nm"],
        continuous_Nm=curve["continuous_Nm"], max_rad_s=data.max_speed_rpm * RAD_S_PER_RPM,
        inertia_kgm2=data.inertia_kgm2, peak_time_s=data.peak_time_s,
        rated_power_W=float(np.max(speed_rad_s * curve["peak_Nm"])),
        source=opened.source, invented=data.invented or points.invented or curve.invented,
        files=(*opened.files, *opened.csv_paths("map", "limits")), standby_W=data.standby_W, mass_kg=data.mass_kg,
        notes=tuple(filter(None, [grid.note])),
    )


def _map(opened: Opened[MachineFile], points: Columns, curve: Columns | None, mistakes: Mistakes) -> Grid | None:
    """The loss map, gridded where the file says that its points are scattered."""
    if not opened.data.scattered:
        return check_map(points, mistakes)
    loss_W = check_points(points, mistakes)
    if loss_W is None or curve is None or mistakes.found:
        return None
    top_rpm = max(points.range("speed_rpm")[1], curve.range("speed_rpm")[1])
    top_Nm = max(*np.abs(points.range("torque_Nm")), curve.range("peak_Nm")[1])
    return grid_points(points, loss_W, top_rpm, top_Nm, lambda rpm: np.interp(rpm, curve["speed_rpm"], curve["peak_Nm"]), mistakes)


def check_map(points: Columns, mistakes: Mistakes) -> Grid | None:
    """A map whose rows fill a rectangle; None with the reasons in ``mistakes``."""
    loss_W = check_points(points, mistakes)
    lowest_rpm, (low_Nm, high_Nm) = points.range("speed_rpm")[0], points.range("torque_Nm")
    if lowest_rpm > 0:
        mistakes.add(points.where, "column speed_rpm", f"a lowest speed of {lowest_rpm:g}", "rows at speed 0")
    if np.all(np.isfinite(points["torque_Nm"])) and not np.any(points["torque_Nm"] == 0):
        mistakes.add(points.where, "column torque_Nm", "no row at torque 0", "torque 0 among the torques")
    if abs(low_Nm + high_Nm) > 1e-9 * max(abs(low_Nm), abs(high_Nm)):
        mistakes.add(points.where, "column torque_Nm", f"torques from {low_Nm:g} to {high_Nm:g}",
                     "a range as far below zero as above")
    return rectangular(points, points["speed_rpm"] if loss_W is None else loss_W, mistakes)


def grid_points(
    points: Columns, loss_W: Array, top_rpm: float, top_Nm: float, peak_Nm: Callable[[Array], Array], mistakes: Mistakes
) -> Grid | None:
    """Scattered points made a map from speed 0 to ``top_rpm``, torques finer towards 0; None with the reasons in ``mistakes``.

    Beyond the peak torque, where it only serves the interpolation, a loss below zero is raised to it.
    """
    half = top_Nm * np.linspace(0.0, 1.0, GRID[1] // 2 + 1) ** 1.5
    speed, torque = np.linspace(0.0, top_rpm, GRID[0]), np.concatenate([-half[:0:-1], half])
    in_use = np.abs(torque)[None, :] <= peak_Nm(speed)[:, None]
    grid = scattered(points, loss_W, Surface("W", False, 2, speed, torque, in_use), mistakes)
    if grid is None:
        return None
    for i, j in np.argwhere(in_use & (grid.value < 0.0)):
        mistakes.add(points.where, f"speed_rpm {speed[i]:.4g}, torque_Nm {torque[j]:.4g}",
                     f"a loss of {grid.value[i, j]:.3g} W from the surface through the bench points",
                     "zero or more; check the points near")
    return dataclasses.replace(grid, value=np.maximum(grid.value, 0.0))


def check_points(points: Columns, mistakes: Mistakes) -> Array | None:
    """(rows,) loss, from whichever of the two columns the map has, checked row by row; None without one of them."""
    given = [c for c in ("loss_W", "electrical_power_W") if c in points]
    if len(given) != 1:
        mistakes.add(points.where, "header", " and ".join(given) or "neither loss_W nor electrical_power_W",
                     "one of the two columns loss_W and electrical_power_W")
        return None
    check_rows(points, "speed_rpm", points["speed_rpm"] < 0, "a speed of zero or more (negative speeds mirror the map)", mistakes)
    shaft_W = points["speed_rpm"] * RAD_S_PER_RPM * points["torque_Nm"]
    loss_W = points[given[0]] - (shaft_W if given[0] == "electrical_power_W" else 0.0)
    if given[0] == "electrical_power_W":
        loss_W = np.where(np.abs(loss_W) <= ROUNDING * np.abs(shaft_W), np.maximum(loss_W, 0.0), loss_W)
    check_rows(points, given[0], loss_W < 0, "a loss of zero or more", mistakes,
               lambda i: f"{points[given[0]][i]:g} ({_in_words(loss_W[i], shaft_W[i])})")
    return loss_W


def _in_words(loss_W: float, shaft_W: float) -> str:
    """What a negative loss amounts to."""
    electrical_W = shaft_W + loss_W
    into, out = (electrical_W, shaft_W) if shaft_W > 0 else (-shaft_W, -electrical_W)
    if into > 0:
        return f"loss {loss_W:.4g} W, efficiency {out / into:.4g}, above one"
    return f"loss {loss_W:.4g} W, power out of nothing"


def check_limits(curve: Columns, points: Columns | None, mistakes: Mistakes) -> None:
    """Peak and continuous torque, within the map when that is given."""
    check_increasing(curve, "speed_rpm", mistakes)
    speed, peak, lasting = curve["speed_rpm"], curve["peak_Nm"], curve["continuous_Nm"]
    if speed[0] < 0 or speed[0] > 0:
        mistakes.add(curve.where, curve.place(0, "speed_rpm"), f"{speed[0]:g}", "a curve that begins at speed 0")
    check_rows(curve, "peak_Nm", peak < 0, "zero or more", mistakes)
    check_rows(curve, "continuous_Nm", lasting < 0, "zero or more", mistakes)
    check_rows(curve, "continuous_Nm", lasting > peak, lambda i: f"at most the peak, {peak[i]:g}", mistakes)
    if np.max(speed * peak) <= 0:
        mistakes.add(curve.where, "column peak_Nm", "no peak power at any speed", "torque above zero at some speed")
    if points is not None:
        top_Nm = points.range("torque_Nm")[1]
        check_axis_covers(curve, "speed_rpm", 0.0, points.range("speed_rpm")[1], points.where, mistakes)
        check_rows(curve, "peak_Nm", peak > top_Nm,
                   f"at most {top_Nm:g}, the highest torque of {points.where}: maps are not extrapolated", mistakes)
