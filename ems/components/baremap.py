"""A map without the file of its component: enough of an engine or a machine to look at, not to drive with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np

from ems.components import engine, machine
from ems.components.csvfile import Columns, collect_columns
from ems.components.engine import Engine
from ems.components.fuel import fuel
from ems.components.gridding import Grid
from ems.components.machine import Machine
from ems.errors import Mistakes
from ems.inputfile import raise_capped
from ems.quantities import RAD_S_PER_RPM
from ems.types import Array

ASSUMED_FUEL = "petrol-e5"
Upper = Callable[[Array], Array]


def bare_engine(path: Path, where: str, scattered: bool) -> Engine:
    """An engine from its fuel map alone, full load where the map ends; its effort of starting and its inertia are nothing.

    where : the file's name as the user knows it      scattered : whether to grid the rows
    Raises ``InputError`` with every mistake of the map.
    """
    mistakes, burnt = Mistakes(), fuel(ASSUMED_FUEL, where, "fuel")
    points = collect_columns(path, ("speed_rpm", "torque_Nm", "fuel_g_s"), (), where=where, mistakes=mistakes)
    grid, full_Nm = None, _flat(0.0)
    if points is not None and scattered:
        engine.check_points(points, burnt, mistakes)
        if not mistakes.found:
            full_Nm, top_Nm = _edge(points), points.range("torque_Nm")[1]
            grid = engine.grid_points(points, burnt, points.range("speed_rpm"), top_Nm, full_Nm, mistakes)
    elif points is not None:
        grid, full_Nm = engine.check_map(points, burnt, mistakes), _flat(points.range("torque_Nm")[1])
    raise_capped(mistakes)
    assert points is not None and grid is not None
    limit_Nm, speed = full_Nm(grid.speed_rpm), grid.speed_rpm * RAD_S_PER_RPM
    return Engine(
        name=path.stem, title=f"Fuel map {path.name}", fuel=burnt, speed_rad_s=speed, torque_Nm=grid.torque_Nm, fuel_g_s=grid.value,
        limit_speed_rad_s=speed, full_load_Nm=limit_Nm, idle_rad_s=float(speed[0]), max_rad_s=float(speed[-1]), inertia_kgm2=0.0,
        start_fuel_g=0.0, cranking_torque_Nm=0.0, cranking_time_s=0.0, rated_power_W=float(np.max(speed * limit_Nm)),
        source=points.source, invented=points.invented, files=(path,),
        notes=_notes(grid, f"a map alone: full load not given, taken where it ends; efficiency with {ASSUMED_FUEL}"),
    )


def bare_machine(path: Path, where: str, scattered: bool) -> Machine:
    """A machine from its map alone, peak torque where the map ends.

    where : the file's name as the user knows it      scattered : whether to grid the rows
    Raises ``InputError`` with every mistake of the map.
    """
    mistakes = Mistakes()
    points = collect_columns(path, ("speed_rpm", "torque_Nm"), ("loss_W", "electrical_power_W"), where=where, mistakes=mistakes)
    grid, peak_Nm = None, _flat(0.0)
    if points is not None and scattered:
        loss_W = machine.check_points(points, mistakes)
        if loss_W is not None and not mistakes.found:
            peak_Nm, top_Nm = _edge(points), float(np.abs(points["torque_Nm"]).max())
            grid = machine.grid_points(points, loss_W, points.range("speed_rpm")[1], top_Nm, peak_Nm, mistakes)
    elif points is not None:
        grid, peak_Nm = machine.check_map(points, mistakes), _flat(points.range("torque_Nm")[1])
    raise_capped(mistakes)
    assert points is not None and grid is not None
    limit_Nm, speed = peak_Nm(grid.speed_rpm), grid.speed_rpm * RAD_S_PER_RPM
    return Machine(
        name=path.stem, title=f"Machine map {path.name}", speed_rad_s=speed, torque_Nm=grid.torque_Nm, loss_W=grid.value,
        limit_speed_rad_s=speed, peak_Nm=limit_Nm, continuous_Nm=limit_Nm, max_rad_s=float(speed[-1]), inertia_kgm2=0.0,
        peak_time_s=np.inf, rated_power_W=float(np.max(speed * limit_Nm)), source=points.source, invented=points.invented,
        files=(path,), notes=_notes(grid, "a map alone: limits not given, taken where it ends"),
    )


def _notes(grid: Grid, told: str) -> tuple[str, ...]:
    return tuple(filter(None, (told, grid.note)))


def _flat(torque_Nm: float) -> Upper:
    return lambda rpm: np.full(np.shape(rpm), torque_Nm)


def _edge(points: Columns) -> Upper:
    """The upper edge of the points' convex hull over speed, torques by their size."""
    order = np.lexsort((np.abs(points["torque_Nm"]), points["speed_rpm"]))
    chain: list[tuple[float, float]] = []
    for n, t in zip(points["speed_rpm"][order], np.abs(points["torque_Nm"][order]), strict=True):
        while chain and (chain[-1][0] == n or (len(chain) > 1 and _turns_up(chain[-2], chain[-1], (n, t)))):
            chain.pop()
        chain.append((float(n), float(t)))
    speeds, torques = zip(*chain, strict=True)
    return lambda rpm: np.interp(rpm, speeds, torques)


def _turns_up(a: tuple[float, float], b: tuple[float, float], c: tuple[float, float]) -> bool:
    """Whether b lies on or below the straight line from a to c."""
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]) >= 0.0
