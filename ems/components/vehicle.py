"""The vehicle: what the wheels must overcome, and what the electrical net needs besides."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ems.components.componentfile import ComponentFile, Opened, open_component
from ems.errors import Mistakes
from ems.inputfile import Number, quantity

GRAVITY_M_S2 = 9.81
KMH_PER_M_S = 3.6

_COEFFICIENTS = ("road_load_N", "road_load_N_per_kmh", "road_load_N_per_kmh2")
_PHYSICS = ("drag_area_m2", "rolling_resistance")


class VehicleFile(ComponentFile):
    """Keys of a vehicle file. The road load is given by its three coefficients, or by drag area and rolling
    resistance."""

    mass_kg: Number = quantity("mass with driver, as driven", "kg", gt=0)
    rotating_mass_kg: Number = quantity("equivalent mass of the turning wheels, brakes and shafts behind the last "
                                        "shaft of the layout", "kg", ge=0)
    wheel_radius_m: Number = quantity("rolling radius", "m", gt=0)
    auxiliary_W: Number = quantity("electrical power of the consumers on board", "W", ge=0)
    road_load_N: Number | None = quantity("road load: constant part", "N", default=None, ge=0)
    road_load_N_per_kmh: Number | None = quantity("road load: part that grows with speed", "N/(km/h)", default=None)
    road_load_N_per_kmh2: Number | None = quantity("road load: part that grows with the square of speed",
                                                   "N/(km/h)^2", default=None, ge=0)
    drag_area_m2: Number | None = quantity("drag coefficient times frontal area", "m2", default=None, gt=0)
    rolling_resistance: Number | None = quantity("rolling resistance over weight", "-", default=None, ge=0)
    air_density_kg_m3: Number = quantity("density of the air, with drag_area_m2", "kg/m3", default=1.2, gt=0)


@dataclass(frozen=True, slots=True, eq=False)
class Vehicle:
    """A vehicle on the level road: force at the wheels f0 + f1 v + f2 v^2, v in m/s.

    mass_kg          : mass with driver
    rotating_mass_kg : equivalent mass of the wheels; the powertrain's inertia is not in it
    auxiliary_W      : electrical power of the consumers on board, always on
    files            : files that it was read from
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


def load_vehicle(
    word: object, *, where: str, key: str, beside: Path | None = None, overrides: Mapping[str, object] | None = None
) -> Vehicle:
    """A vehicle by short name, path or table (see ``open_component``).

    Raises ``InputError`` with every mistake.
    """
    opened = open_component("vehicle", word, VehicleFile, where=where, key=key, beside=beside, overrides=overrides)
    f0, f1, f2 = _road_load(opened)
    data = opened.data
    return Vehicle(
        name=opened.name, title=opened.title, mass_kg=data.mass_kg, rotating_mass_kg=data.rotating_mass_kg,
        f0_N=f0, f1_Ns_m=f1, f2_Ns2_m2=f2, wheel_radius_m=data.wheel_radius_m, auxiliary_W=data.auxiliary_W,
        source=opened.source, invented=data.invented, files=opened.files,
    )


def _road_load(opened: Opened[VehicleFile]) -> tuple[float, float, float]:
    """Coefficients in SI units from whichever of the two ways was used."""
    data, mistakes = opened.data, Mistakes()
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
        mistakes.raise_if_any()
    return f0, f1 * KMH_PER_M_S, f2 * KMH_PER_M_S**2
