"""What a cycle asks of a vehicle, interval by interval."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ems.components.vehicle import GRAVITY_M_S2, Vehicle
from ems.trips.cycle import Cycle
from ems.types import Array, BoolArray


@dataclass(frozen=True, slots=True, eq=False)
class Demand:
    """Road forces of a cycle on a vehicle; row k is the interval from t_k to t_k+1, all arrays (N,) but one.

    time_s : start of the interval [s]              dt_s : its length [s]
    speed_m_s : at its middle [m/s]                 acceleration_m_s2 : constant within it [m/s2]
    boundary_speed_m_s : (N+1,) speed at the start of each interval and at the end of the last [m/s]
    grade : mean rise over run [-]
    air_N, tyre_N, climb_N, inertia_N : force at the wheels each takes [N]; negative where it drives the vehicle
    auxiliary_W : electrical load, the vehicle's own and the cycle's [W]

    ``air_N`` and ``tyre_N`` are named after what dominates them: the square term of the road load, and its constant
    and linear terms. Inertia counts the vehicle's mass and its wheels' rotating mass, not the powertrain's. With the
    speed at the middle, ``inertia_N * speed_m_s * dt_s`` is exactly the change of kinetic energy. Where both ends of
    an interval are at rest, every force is zero: the friction brakes hold the vehicle on a slope.
    """

    time_s: Array
    dt_s: Array
    speed_m_s: Array
    acceleration_m_s2: Array
    boundary_speed_m_s: Array
    grade: Array
    air_N: Array
    tyre_N: Array
    climb_N: Array
    inertia_N: Array
    auxiliary_W: Array

    @property
    def force_N(self) -> Array:
        """Force the wheels must give (negative: take up) in each interval, (N,) [N]."""
        return self.air_N + self.tyre_N + self.climb_N + self.inertia_N

    @property
    def power_W(self) -> Array:
        """Mean power at the wheels in each interval, (N,) [W]."""
        return self.force_N * self.speed_m_s

    @property
    def standstill(self) -> BoolArray:
        """Intervals at rest from end to end, (N,)."""
        still: BoolArray = (self.boundary_speed_m_s[1:] == 0.0) & (self.boundary_speed_m_s[:-1] == 0.0)
        return still

    @property
    def distance_m(self) -> float:
        """Way driven [m]."""
        return float(np.sum(self.speed_m_s * self.dt_s))

    @property
    def net_tractive_energy_J(self) -> float:
        """Energy the trip takes if all braking came back [J]: what no powertrain can do without."""
        return float(np.sum(self.power_W * self.dt_s))

    @property
    def cycle_energy_J(self) -> float:
        """Energy of the intervals that need driving force [J], the sum UN GTR No. 15 Annex 7 calls cycle energy."""
        return float(np.sum(np.maximum(self.power_W, 0.0) * self.dt_s))

    @property
    def auxiliary_energy_J(self) -> float:
        """Energy of the electrical auxiliaries [J]."""
        return float(np.sum(self.auxiliary_W * self.dt_s))


def demand(cycle: Cycle, vehicle: Vehicle) -> Demand:
    """Road forces of ``cycle`` on ``vehicle``: road load f0 + f1 v + f2 v^2, slope and inertia.

    The grade is rise over run along the road driven; f0 acts on the part of the weight that presses on the road.
    """
    start, end = cycle.speed_m_s[:-1], cycle.speed_m_s[1:]
    dt = np.diff(cycle.time_s)
    speed = 0.5 * (start + end)
    acceleration = (end - start) / dt
    grade = 0.5 * (cycle.grade[:-1] + cycle.grade[1:])
    cosine = 1.0 / np.sqrt(1.0 + grade**2)
    moving = np.where((start == 0.0) & (end == 0.0), 0.0, 1.0)
    return Demand(
        time_s=cycle.time_s[:-1],
        dt_s=dt,
        speed_m_s=speed,
        acceleration_m_s2=acceleration,
        boundary_speed_m_s=cycle.speed_m_s,
        grade=grade,
        air_N=vehicle.f2_Ns2_m2 * speed**2,
        tyre_N=moving * (vehicle.f0_N * cosine + vehicle.f1_Ns_m * speed),
        climb_N=moving * vehicle.mass_kg * GRAVITY_M_S2 * grade * cosine,
        inertia_N=(vehicle.mass_kg + vehicle.rotating_mass_kg) * acceleration,
        auxiliary_W=vehicle.auxiliary_W + cycle.auxiliary_W,
    )
