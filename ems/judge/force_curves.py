"""Wheel force over speed of every configuration and of the best of them, for a rating of the machines and a charge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from ems.components.vehicle import GRAVITY_M_S2, Vehicle
from ems.kernels.battery import power_limits, state
from ems.kernels.plant import PlantArrays, make_bench
from ems.kernels.wheel_force import ForceGrid, Road, most_torque
from ems.plant.plant import Plant
from ems.types import Array, BoolArray, IntArray

if TYPE_CHECKING:
    import pandas as pd

GRID = ForceGrid(free_points=9, torque_points=6, halvings=7, inner_points=7, inner_steps=12)
CEILING_G = 2.0         # wheel force above so many times the weight is not sought: no tyre transmits it
TOP_KMH = 260.0


@dataclass(frozen=True, slots=True, eq=False)
class ForceCurves:
    """The most a layout's configurations give at the wheels; V speeds, N nodes, nan where a node is not possible.

    speed_m_s : (V,)                     resistance_N : (V,) road load on the level
    force_N : (V, N) most wheel force at constant speed      code : (V, N) limit above it (see kernels.plant)
    acceleration_m_s2 : (V, N) with all of it, what turns brought to speed too; None when not asked for
    """

    plant: Plant
    speed_m_s: Array
    resistance_N: Array
    force_N: Array
    code: IntArray
    acceleration_m_s2: Array | None

    @property
    def envelope_N(self) -> Array:
        """(V,) the most any configuration gives; 0 where none can run."""
        envelope: Array = np.nan_to_num(self.force_N, nan=0.0).max(axis=1)
        return envelope

    @property
    def best(self) -> IntArray:
        """(V,) node that gives the most."""
        best: IntArray = np.nan_to_num(self.force_N, nan=-1.0).argmax(axis=1)
        return best

    @property
    def most_power_W(self) -> float:
        """Largest wheel power any configuration gives at any speed: the combined power of the powertrain."""
        return float(np.max(self.envelope_N * self.speed_m_s))

    def to_frame(self) -> pd.DataFrame:
        """Force by configuration over speed [N], indexed by speed_kmh; envelope and road load beside it."""
        import pandas as pd

        columns = {"road_load_N": self.resistance_N, "envelope_N": self.envelope_N}
        for n in range(len(self.plant.nodes)):
            if np.isfinite(self.force_N[:, n]).any():
                columns[f"{self.plant.configuration(n).id} [N]"] = self.force_N[:, n]
        return pd.DataFrame(columns, index=pd.Index(3.6 * self.speed_m_s, name="speed_kmh"))


def force_curves(plant: Plant, speed_m_s: Array, *, gives_W: float, lasting: bool = False, gathering: bool = False) -> ForceCurves:
    """Curves at the given speeds.

    gives_W : terminal power the battery may give     lasting : continuous instead of peak torque of the machines
    gathering : whether accelerations are wanted too
    """
    vehicle = plant.layout.vehicle
    resistance, radius = road_load_N(vehicle, speed_m_s), vehicle.wheel_radius_m
    shape = (speed_m_s.size, len(plant.nodes))
    torque, code, alpha = np.full(shape, -1.0), np.zeros(shape, np.int64), np.full(shape, np.nan)
    road = Road(float(vehicle.auxiliary_W), CEILING_G * vehicle.mass_kg * GRAVITY_M_S2 * radius,
                np.full(plant.arrays.axle_joint.size, -np.inf))
    arrays, inertia_kgm2 = _arrays(plant, gives_W, lasting), (vehicle.mass_kg + vehicle.rotating_mass_kg) * radius**2
    bench = make_bench(arrays)
    for v, n in np.ndindex(shape):
        look = partial(most_torque, arrays, bench, n, float(speed_m_s[v] / radius), road=road, grid=GRID)
        torque[v, n], code[v, n] = look(alpha=0.0)
        if gathering:
            alpha[v, n] = _gathered(look, float(torque[v, n]), float(resistance[v] * radius), inertia_kgm2)
    possible = (torque >= 0.0) & _in_range(plant, speed_m_s)
    return ForceCurves(plant, speed_m_s, resistance, np.where(possible, torque / radius, np.nan), code,
                       np.where(possible, alpha * radius, np.nan) if gathering else None)


def _gathered(look: Callable[..., tuple[float, int]], steady_Nm: float, resistance_Nm: float, inertia_kgm2: float) -> float:
    """Wheel acceleration when all that is left over resistance accelerates the car and what turns with it [rad/s2].

    The torque falls linearly with acceleration while one limit holds, so two looks along that line find it.
    """
    left_Nm = steady_Nm - resistance_Nm
    alpha = left_Nm / inertia_kgm2
    if steady_Nm < 0.0 or alpha <= 0.0:
        return alpha
    for _ in range(2):
        torque, _ = look(alpha=alpha)
        alpha = left_Nm / (inertia_kgm2 + (steady_Nm - max(torque, 0.0)) / alpha)
    return alpha


def _arrays(plant: Plant, gives_W: float, lasting: bool) -> PlantArrays:
    arrays = plant.arrays._replace(battery_gives_W=float(gives_W))
    if not lasting:
        return arrays
    continuous = np.zeros_like(arrays.machine_peak)
    for i, use in enumerate(plant.layout.machines):
        continuous[i, :use.machine.continuous_Nm.size] = use.machine.continuous_Nm
    return arrays._replace(machine_peak=continuous)


def _in_range(plant: Plant, speed_m_s: Array) -> BoolArray:
    """(V, N) whether every speed limit, of shafts too, is kept."""
    kmh = 3.6 * speed_m_s[:, None]
    low, high = np.array([plant.configuration(n).speed_range_kmh for n in range(len(plant.nodes))]).T
    inside: BoolArray = (kmh >= low * (1 - 1e-9) - 1e-9) & (kmh <= high * (1 + 1e-9))
    return inside


def road_load_N(vehicle: Vehicle, speed_m_s: Array) -> Array:
    """Road load on the level, its constant term at standstill too: what has to be overcome to move off."""
    load: Array = vehicle.f0_N + vehicle.f1_Ns_m * speed_m_s + vehicle.f2_Ns2_m2 * speed_m_s**2
    return load


def speeds_m_s(plant: Plant, also_kmh: Sequence[float] = ()) -> Array:
    """Where curves are drawn: every 2 km/h to 20, every 4 km/h above, both ends of every configuration's range, and speeds asked for."""
    ranges = np.array([plant.configuration(n).speed_range_kmh for n in range(len(plant.nodes))])
    top = min(TOP_KMH, float(ranges.max()))
    even = np.concatenate([np.arange(0.0, 20.0, 2.0), np.arange(20.0, top, 4.0), [top]])
    ends = ranges[(ranges > 0.0) & (ranges < top)]
    return np.unique(np.round(np.concatenate([even, ends, np.asarray(also_kmh, float)]), 9)) / 3.6


def battery_gives_W(plant: Plant, soc: float) -> float:
    """Most terminal power the battery gives at a charge; nothing at or below the lower end of its window."""
    battery = plant.layout.battery
    if soc <= battery.soc_low:
        return 0.0
    at, v, rd, rc = state(plant.battery, float(battery.energy_J(soc)))
    return float(power_limits(plant.battery, at, v, rd, rc)[1])

