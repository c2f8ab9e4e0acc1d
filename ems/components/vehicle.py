"""The vehicle: what the wheels must overcome, and what the electrical net needs besides."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import numpy as np
from numpy.typing import ArrayLike
from pydantic import Field

from ems.components.componentfile import ComponentFile, Opened, Table, open_component
from ems.errors import Mistakes
from ems.inputfile import Number, quantity
from ems.types import Array

GRAVITY_M_S2 = 9.81
KMH_PER_M_S = 3.6

_COEFFICIENTS = ("road_load_N", "road_load_N_per_kmh", "road_load_N_per_kmh2")
_PHYSICS = ("drag_area_m2", "rolling_resistance")


AxleName = Annotated[str, Field(min_length=1)]


class RegenerationTable(Table):
    """Where near standstill the machines stop braking."""

    fade_from_kmh: Number = quantity("speed below which the share of braking that can be recovered begins to fall", "km/h",
                                     default=0.0, ge=0, le=100)
    fade_to_kmh: Number = quantity("speed at and below which none can be recovered", "km/h", default=0.0, ge=0, le=100)


class AxleTable(Table):
    """One axle, by the name it has in the layout; an axle without machines may be named for its weight."""

    weight_share: Number | None = quantity("share of the weight on this axle, as it is when it must pull", "-", default=None,
                                           gt=0, le=1)
    regeneration_share: Number = quantity("largest share of the braking force that this axle may recover", "-", default=1.0,
                                          ge=0, le=1)
    regeneration_m_s2: Number | None = quantity("largest deceleration of the vehicle by recovering on this axle; without it any",
                                                "m/s2", default=None, gt=0)


class VehicleFile(ComponentFile):
    """Keys of a vehicle file. The road load is given by its three coefficients, or by drag area and rolling
    resistance."""

    mass_kg: Number = quantity("mass with driver, as driven", "kg", gt=0, le=1e6)
    rotating_mass_kg: Number = quantity("equivalent mass of the turning wheels, brakes and shafts behind the last "
                                        "shaft of the layout", "kg", ge=0, le=1e6)
    wheel_radius_m: Number = quantity("rolling radius", "m", gt=0, le=10)
    auxiliary_W: Number = quantity("electrical power of the consumers on board", "W", ge=0, le=1e6)
    road_load_N: Number | None = quantity("road load: constant part", "N", default=None, ge=0, le=1e6)
    road_load_N_per_kmh: Number | None = quantity("road load: part that grows with speed", "N/(km/h)", default=None,
                                                  ge=-1e4, le=1e4)
    road_load_N_per_kmh2: Number | None = quantity("road load: part that grows with the square of speed",
                                                   "N/(km/h)^2", default=None, ge=0, le=1e3)
    drag_area_m2: Number | None = quantity("drag coefficient times frontal area", "m2", default=None, gt=0, le=1e3)
    rolling_resistance: Number | None = quantity("rolling resistance over weight", "-", default=None, ge=0, le=1)
    air_density_kg_m3: Number = quantity("density of the air, with drag_area_m2", "kg/m3", default=1.2, gt=0, le=10)
    test_mass_kg: Number | None = quantity("mass at which a regulation has it tested; without it mass_kg", "kg", default=None, gt=0,
                                          le=1e6)
    friction: Number = quantity("friction coefficient of tyres on the road", "-", default=1.0, gt=0, le=2)
    regeneration: RegenerationTable = quantity("limits of recovering energy while braking", "-", default_factory=RegenerationTable)
    axles: dict[AxleName, AxleTable] = quantity("axles by the names they have in the layout", "-", default_factory=dict)


@dataclass(frozen=True, slots=True)
class AxleGrip:
    """What an axle may carry.

    name : as in the layout
    weight_share       : share of the weight on it; None when not known
    regeneration_share : largest share of the braking force that it may recover
    regeneration_m_s2  : largest deceleration of the vehicle by recovering on it; inf without a limit
    """

    name: str
    weight_share: float | None = None
    regeneration_share: float = 1.0
    regeneration_m_s2: float = math.inf


@dataclass(frozen=True, slots=True, eq=False)
class Vehicle:
    """A vehicle on the level road: force at the wheels f0 + f1 v + f2 v^2, v in m/s.

    mass_kg          : mass with driver
    rotating_mass_kg : equivalent mass of the wheels; the powertrain's inertia is not in it
    auxiliary_W      : electrical power of the consumers on board, always on
    files            : files that it was read from
    test_mass_kg     : mass at which a regulation has it tested; None: mass_kg
    friction         : friction coefficient of tyres on the road
    fade_from_m_s, fade_to_m_s : recoverable share of braking is one above the first, none below the second
    axles            : what is known of axles; see ``axle``
    """

    name: str
    title: str
    mass_kg: float
    rotating_mass_kg: float
    f0_N: float
    f1_Ns_m: float
    f2_Ns2_m2: float
    wheel_radius_m: float
    auxiliary_W: float
    source: str
    invented: bool
    files: tuple[Path, ...]
    test_mass_kg: float | None = None
    friction: float = 1.0
    fade_from_m_s: float = 0.0
    fade_to_m_s: float = 0.0
    axles: tuple[AxleGrip, ...] = ()

    @property
    def mass_in_test_kg(self) -> float:
        """Mass at which a regulation has it tested."""
        return self.mass_kg if self.test_mass_kg is None else self.test_mass_kg

    def road_load_N(self, speed_m_s: ArrayLike) -> Array:
        """Force at the wheels that holds a speed on the level road; any shape."""
        speed = np.asarray(speed_m_s, dtype=np.float64)
        return np.asarray(self.f0_N + self.f1_Ns_m * speed + self.f2_Ns2_m2 * speed**2)

    def axle(self, name: str) -> AxleGrip:
        """What the axle of this name may carry; no limits for an axle that the file does not name."""
        return next((a for a in self.axles if a.name == name), AxleGrip(name))

    def grip_N(self, name: str) -> float:
        """Most force between an axle's tyres and the level road; inf where its share of the weight is not known.

        Coulomb friction on the stated share: what accelerating moves from one axle to another belongs into that share.
        """
        share = self.axle(name).weight_share
        return math.inf if share is None else self.friction * share * self.mass_kg * GRAVITY_M_S2

    def recoverable_share(self, speed_m_s: ArrayLike) -> Array:
        """Share of braking that can be recovered at a speed, from 0 to 1; any shape.

        Straight between the two speeds of the fade-out; with both at zero 1 everywhere (common practice, no source).
        """
        speed = np.abs(np.asarray(speed_m_s, dtype=np.float64))
        if self.fade_from_m_s == 0.0:
            return np.ones(speed.shape)
        if self.fade_from_m_s == self.fade_to_m_s:
            return np.where(speed > self.fade_to_m_s, 1.0, 0.0)
        return np.clip((speed - self.fade_to_m_s) / (self.fade_from_m_s - self.fade_to_m_s), 0.0, 1.0)


def load_vehicle(
    word: object, *, where: str, key: str, beside: Path | None = None, overrides: Mapping[str, object] | None = None
) -> Vehicle:
    """A vehicle by short name, path or table (see ``open_component``).

    Raises ``InputError`` with every mistake.
    """
    opened = open_component("vehicle", word, VehicleFile, where=where, key=key, beside=beside, overrides=overrides)
    data, mistakes = opened.data, Mistakes()
    _check_braking(opened, mistakes)
    f0, f1, f2 = _road_load(opened, mistakes)
    mistakes.raise_if_any()
    return Vehicle(
        name=opened.name, title=opened.title, mass_kg=data.mass_kg, rotating_mass_kg=data.rotating_mass_kg,
        f0_N=f0, f1_Ns_m=f1, f2_Ns2_m2=f2, wheel_radius_m=data.wheel_radius_m, auxiliary_W=data.auxiliary_W,
        source=opened.source, invented=data.invented, files=opened.files, test_mass_kg=data.test_mass_kg, friction=data.friction,
        fade_from_m_s=data.regeneration.fade_from_kmh / KMH_PER_M_S, fade_to_m_s=data.regeneration.fade_to_kmh / KMH_PER_M_S,
        axles=tuple(_axle(name, table) for name, table in data.axles.items()),
    )


def _axle(name: str, table: AxleTable) -> AxleGrip:
    deceleration = math.inf if table.regeneration_m_s2 is None else table.regeneration_m_s2
    return AxleGrip(name, table.weight_share, table.regeneration_share, deceleration)


def _check_braking(opened: Opened[VehicleFile], mistakes: Mistakes) -> None:
    data = opened.data
    if data.regeneration.fade_to_kmh > data.regeneration.fade_from_kmh:
        mistakes.add(*opened.place("regeneration.fade_to_kmh"), f"{data.regeneration.fade_to_kmh:g} km/h",
                     f"at most fade_from_kmh, {data.regeneration.fade_from_kmh:g} km/h: recovering fades out as the vehicle slows")
    total = sum(a.weight_share or 0.0 for a in data.axles.values())
    if total > 1.0 + 1e-9:
        mistakes.add(*opened.place("axles"), f"weight_share {total:g} in all", "shares of the weight that sum to at most 1")


def _road_load(opened: Opened[VehicleFile], mistakes: Mistakes) -> tuple[float, float, float]:
    """Coefficients in SI units from whichever of the two ways was used."""
    data = opened.data
    by_coefficients = [k for k in _COEFFICIENTS if getattr(data, k) is not None]
    by_physics = [k for k in _PHYSICS if getattr(data, k) is not None]
    if by_coefficients and by_physics:
        mistakes.add(*opened.place(by_physics[0]), f"{', '.join(by_physics)} beside {', '.join(by_coefficients)}",
                     "one way only: the three road load coefficients, or drag area and rolling resistance")
    for name in _PHYSICS if by_physics and not by_coefficients else _COEFFICIENTS if not by_physics else ():
        if getattr(data, name) is None:
            unit = "drag_area_m2 and rolling_resistance" if name in _PHYSICS else (
                "the three road load coefficients, or drag_area_m2 and rolling_resistance")
            mistakes.add(*opened.place(name), "nothing", unit)
    mistakes.raise_if_any()
    if data.drag_area_m2 is not None and data.rolling_resistance is not None:
        weight_N = data.mass_kg * GRAVITY_M_S2
        return weight_N * data.rolling_resistance, 0.0, 0.5 * data.air_density_kg_m3 * data.drag_area_m2
    f0, f1, f2 = (float(getattr(data, k)) for k in _COEFFICIENTS)
    force_N = [f0 + f1 * v + f2 * v * v for v in range(0, 501)]
    if min(force_N) < 0:
        v = force_N.index(min(force_N))
        mistakes.add(*opened.place(_COEFFICIENTS[1]), f"{f1:g} (a road load of {force_N[v]:.0f} N at {v} km/h)",
                     "a road load that pushes at no speed up to 500 km/h")
    return f0, f1 * KMH_PER_M_S, f2 * KMH_PER_M_S**2
