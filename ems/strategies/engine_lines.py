"""Lines on the engine map that rules are made of: best torque at a speed, best speed at a power, full load."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ems.components.engine import Engine
from ems.plant.plant import Plant
from ems.types import Array, IntArray

SPEEDS, LOADS = 61, 41


@dataclass(frozen=True, slots=True, eq=False)
class EngineLines:
    """Interpolated lines of an engine.

    speeds_rad_s, best_Nm, full_Nm : (n,) torque of best efficiency, and full load, at a speed
    powers_W, speed_at_power_rad_s : (m,) speed of least fuel at a power
    best_power_W : power of the best efficiency of all
    """

    speeds_rad_s: Array
    best_Nm: Array
    full_Nm: Array
    powers_W: Array
    speed_at_power_rad_s: Array
    best_power_W: float

    def best_torque_Nm(self, speed_rad_s: float) -> float:
        """Torque of best efficiency at a speed."""
        return float(np.interp(speed_rad_s, self.speeds_rad_s, self.best_Nm))

    def full_load_Nm(self, speed_rad_s: float) -> float:
        """Full load at a speed."""
        return float(np.interp(speed_rad_s, self.speeds_rad_s, self.full_Nm))

    def speed_rad_s(self, power_W: float) -> float:
        """Speed of least fuel at a power; the last where it is more than the engine has."""
        return float(np.interp(power_W, self.powers_W, self.speed_at_power_rad_s))


@lru_cache(maxsize=4)
def engine_lines(engine: Engine) -> EngineLines:
    """The lines of an engine, from its map on a fine grid below full load."""
    from scipy.interpolate import RegularGridInterpolator

    speeds = np.linspace(engine.idle_rad_s, engine.max_rad_s, SPEEDS)
    full = np.interp(speeds, engine.limit_speed_rad_s, engine.full_load_Nm)
    share = np.linspace(0.05, 1.0, LOADS)
    torque = full[:, None] * share[None, :]
    fuel = RegularGridInterpolator((engine.speed_rad_s, engine.torque_Nm), engine.fuel_g_s, bounds_error=False, fill_value=None)
    rate = fuel(np.stack([np.broadcast_to(speeds[:, None], torque.shape), torque], axis=-1))
    power = speeds[:, None] * torque
    best = np.argmin(rate / power, axis=1)
    best_of_all = np.unravel_index(int(np.argmin(rate / power)), power.shape)
    powers = np.linspace(0.0, float(power.max()), 61)
    at_power = np.array([_least_fuel_speed(p, speeds, power, rate) for p in powers])
    return EngineLines(speeds, torque[np.arange(SPEEDS), best], full, powers, np.maximum.accumulate(at_power), float(power[best_of_all]))


def _least_fuel_speed(power_W: float, speeds: Array, power: Array, rate: Array) -> float:
    """Speed at which a power takes least fuel, among those that can give it."""
    fuel = np.array([np.interp(power_W, power[i], rate[i], right=np.inf) for i in range(speeds.size)])
    return float(speeds[int(np.argmin(fuel))])


def best_line_share(plant: Plant, node: IntArray, speed_m_s: Array, wheel_W: Array, engine_W: Array) -> float:
    """Share of the line of best efficiency in the engine's load, 0 to 1: 0 follows the demand, 1 stays on the line. Least squares.

    node, speed_m_s, wheel_W, engine_W : (n,) seconds with a running engine: node, car speed, power at the wheels, power of the engine
    """
    lines, arrays, vehicle = engine_lines(plant.layout.engine.engine), plant.arrays, plant.layout.vehicle
    demand_W = wheel_W + vehicle.auxiliary_W
    w = arrays.source_wheel[node, 0] * speed_m_s / vehicle.wheel_radius_m
    line_W = np.where(arrays.has_free[node], np.maximum(lines.best_power_W, demand_W), w * np.interp(w, lines.speeds_rad_s, lines.best_Nm))
    apart = line_W - demand_W
    share = float(np.sum(apart * (engine_W - demand_W)) / max(float(np.sum(apart**2)), 1e-3))
    return min(max(share, 0.0), 1.0)
