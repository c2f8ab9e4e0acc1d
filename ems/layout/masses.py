"""Masses of parts, and what they make of the vehicle.

The vehicle's ``mass_kg`` is that of a car with some powertrain in it already. ``masses.reference_kg`` says how heavy the
parts are that it contains; the parts of this layout take their place:

    mass = vehicle.mass_kg - masses.reference_kg + sum of every mass_kg, masses.battery_kg and masses.other_kg

A layout without masses therefore weighs what its vehicle weighs. One whose parts add up to the reference does so too,
and loses a part's mass with the part. The constant part of the road load, mostly rolling resistance, follows the mass
in proportion (common practice, no source); the others belong to the body.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping

from ems.components.vehicle import Vehicle
from ems.errors import Mistakes
from ems.layout.schema import LayoutFile

SECTIONS = ("machines", "gears", "planetary_sets", "clutches", "brakes", "one_way", "shifters")


def parts_of(file: LayoutFile) -> dict[str, float]:
    """Masses that the file gives, by dotted key of the part [kg]; parts without a mass left out."""
    found = {"engine": file.engine.mass_kg, "battery": file.masses.battery_kg, "other": file.masses.other_kg}
    for section in SECTIONS:
        found |= {f"{section}.{name}": table.mass_kg for name, table in getattr(file, section).items()}
    return {part: mass for part, mass in found.items() if mass}


def laden(vehicle: Vehicle, parts_kg: Mapping[str, float], reference_kg: float, where: str) -> Vehicle:
    """The vehicle with these parts in place of those of the reference.

    Raises ``InputError`` when nothing would be left of it.
    """
    if not parts_kg and not reference_kg:
        return vehicle
    mass_kg = vehicle.mass_kg - reference_kg + math.fsum(parts_kg.values())
    mistakes = Mistakes()
    if mass_kg <= 0.0:
        mistakes.add(where, "masses.reference_kg", f"{reference_kg:g}",
                     f"less than the vehicle's mass of {vehicle.mass_kg:g} kg with its parts")
    mistakes.raise_if_any()
    return dataclasses.replace(vehicle, mass_kg=mass_kg, f0_N=vehicle.f0_N * mass_kg / vehicle.mass_kg)
