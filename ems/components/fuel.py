"""Fuels: heating value, density and carbon, from published tables, by name."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ems import library
from ems.components.componentfile import ComponentFile
from ems.errors import InputError, Mistake, nearest_name
from ems.inputfile import Number, in_words, quantity, read_toml, validate

FUELS_FILE = "maps/fuels.toml"


class FuelFile(ComponentFile):
    """One fuel in ``maps/fuels.toml``, or a table in an engine file."""

    heating_value_kWh_m3: Number = quantity("lower heating value by volume of liquid", "kWh/m3", gt=0)
    density_kg_m3: Number = quantity("density at 15 degrees Celsius", "kg/m3", gt=0)
    co2_g_l: Number = quantity("carbon dioxide from burning one litre", "g/l", ge=0)


@dataclass(frozen=True, slots=True)
class Fuel:
    """A fuel.

    heating_value_J_g : lower heating value [J/g]
    density_g_l       : density [g/l]
    co2_g_l           : carbon dioxide from burning one litre [g/l]
    """

    name: str
    title: str
    heating_value_J_g: float
    density_g_l: float
    co2_g_l: float
    source: str


def fuel_names() -> list[str]:
    """Names of the shipped fuels, in the file's order."""
    return list(_shipped())


def fuel(word: str | Mapping[str, object], where: str, key: str) -> Fuel:
    """A fuel by name (any case), or from a table of a user's own.

    where, key : who asks, for the message
    Raises ``InputError`` for a name that is not shipped, or mistakes in the table.
    """
    if isinstance(word, Mapping):
        return _fuel(key.rpartition(".")[2], validate(FuelFile, word, where, key), where)
    shipped = _shipped()
    for name, table in shipped.items():
        if isinstance(word, str) and name.lower() == word.lower():
            return _fuel(name, validate(FuelFile, table, FUELS_FILE, name), FUELS_FILE)
    raise InputError([Mistake(where, key, in_words(word), f"one of {', '.join(shipped)}, or a table of its own",
                              nearest_name(str(word), shipped))])


def _shipped() -> dict[str, Mapping[str, object]]:
    return read_toml(library.data_root() / FUELS_FILE, FUELS_FILE)


def _fuel(name: str, data: FuelFile, where: str) -> Fuel:
    """1 kWh/m3 over 1 kg/m3 is 1 kWh/kg, or 3600 J/g."""
    return Fuel(
        name=name,
        title=data.title or name,
        heating_value_J_g=3600.0 * data.heating_value_kWh_m3 / data.density_kg_m3,
        density_g_l=data.density_kg_m3,
        co2_g_l=data.co2_g_l,
        source=data.source or f"not stated in {where}",
    )
