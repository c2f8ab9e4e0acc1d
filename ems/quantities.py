"""Units by the suffix of a name, and one table of quantities: what the numbers of an optimum and of a cycle mean.

A name carries its unit as a suffix; ``unit_from_name`` reads it back. A test holds the table to the numbers an ``Optimum`` has.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

RAD_S_PER_RPM = math.pi / 30.0
RPM_PER_RAD_S = 30.0 / math.pi

SUFFIXES: dict[str, str] = {
    # longest first where one suffix ends another
    "_l_per_100km": "l/100 km",
    "_Nms_rad": "N m s/rad",
    "_g_per_km": "g/km",
    "_kg_m3": "kg/m3",
    "_MJ_kg": "MJ/kg",
    "_g_kWh": "g/kWh",
    "_rad_s": "rad/s",
    "_m_s2": "m/s2",
    "_m_s": "m/s",
    "_g_s": "g/s",
    "_g_l": "g/l",
    "_kmh": "km/h",
    "_kgm2": "kg m2",
    "_percent": "%",
    "_rpm": "rpm",
    "_ohm": "ohm",
    "_deg": "deg",
    "_kWh": "kWh",
    "_km": "km",
    "_kg": "kg",
    "_kW": "kW",
    "_kN": "kN",
    "_kJ": "kJ",
    "_As": "A s",
    "_Ah": "Ah",
    "_Nm": "N m",
    "_m": "m",
    "_s": "s",
    "_g": "g",
    "_J": "J",
    "_W": "W",
    "_N": "N",
    "_V": "V",
    "_A": "A",
    "_C": "C",
    "_l": "l",
}


def unit_from_name(name: str) -> str:
    """The unit that the suffix of a name says, '-' when there is none."""
    return next((unit for suffix, unit in SUFFIXES.items() if name.endswith(suffix)), "-")


@dataclass(frozen=True, slots=True)
class Quantity:
    """One quantity as it appears in results."""

    name: str
    unit: str
    meaning: str


def _table(*rows: tuple[str, str]) -> dict[str, Quantity]:
    return {name: Quantity(name, unit_from_name(name), meaning) for name, meaning in rows}


QUANTITIES: dict[str, Quantity] = _table(
    # the cycle
    ("time_s", "start of the interval, from the start of the trip"),
    ("duration_s", "length of the cycle in time"),
    ("distance_km", "length of the cycle on the road"),
    ("speed_kmh", "vehicle speed in the middle of the interval"),
    ("speed_m_s", "vehicle speed"),
    ("grade", "slope of the road, rise over run"),
    ("auxiliary_W", "electrical load of everything that does not drive"),
    # the answer
    ("fuel_g", "fuel burnt on the cycle, starts included"),
    ("price_g", "what configuration changes and engine starts were charged beyond their fuel"),
    ("objective_g", "fuel_g + price_g, what the optimum minimises"),
    ("fuel_l_per_100km", "fuel_g by volume over the distance"),
    ("warm_l_per_100km", "the same of the warm engine, where it starts cold"),
    ("co2_g_per_km", "carbon dioxide from the tail pipe over the distance"),
    ("lower_bound_g", "proven: no control whatever has a smaller objective on these tables"),
    ("gap_percent", "100 (objective - lower bound) / objective"),
    ("gap_asked_percent", "the gap that was asked for, where one was"),
    ("table_error_percent", "how far the tables themselves may be off, from refined ones"),
    ("recovered_percent", "share of the braking energy at the wheels that is not left to the friction brakes"),
    ("floor_l_per_100km", "net tractive energy at the engine's best efficiency: no layout can need less"),
    ("costate", "fuel energy that one unit of electrochemical battery energy is worth along the optimum"),
    ("engine_starts", "number of times the engine starts"),
    ("configuration_changes", "number of changes of configuration"),
    ("soc_start", "state of charge at the start"),
    ("soc_end", "state of charge at the end"),
    ("surplus_J", "stored energy above the final target"),
    ("energy_residual_percent", "what the energy audit leaves unexplained, of the fuel energy"),
    ("compile_s", "time spent compiling kernels"),
    ("tables_s", "time spent building tables"),
    ("solve_s", "time spent on costate and dynamic programming"),
    ("certificate_s", "time spent on the lower bound"),
)
