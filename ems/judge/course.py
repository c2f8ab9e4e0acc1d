"""A driven trip as rows of what regulations ask for: way, fuel and battery energy, interval by interval."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from ems.plant.trace import Trace
from ems.types import Array


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """Rows of a trip, all (N,).

    distance_m, fuel_g : start fuel included
    terminal_J : electric energy the battery gave at its terminals      stored_J : what its store gave, losses inside included
    soc_end : state of charge at the end of each interval
    """

    distance_m: Array
    fuel_g: Array
    terminal_J: Array
    stored_J: Array
    soc_end: Array

    def __getitem__(self, rows: slice | Array) -> Course:
        return Course(*(getattr(self, f.name)[rows] for f in fields(self)))

    @property
    def electric_km(self) -> float:
        """Way until the engine first burns fuel; all of it if it never does."""
        burning = np.flatnonzero(self.fuel_g > 0.0)
        return float(self.distance_m[:burning[0] if burning.size else None].sum()) / 1e3


def course_of(trip: Trace) -> Course:
    """The rows of a trace."""
    c, dt = trip.columns, trip.demand.dt_s
    stored = 1e3 * (np.asarray(c["battery_energy_start_kJ"], float) - np.asarray(c["battery_energy_end_kJ"], float))
    change = 1e3 * np.asarray(c["transition_energy_kJ"], float)
    return Course(trip.demand.speed_m_s * dt, np.asarray(c["fuel_g_s"], float) * dt + np.asarray(c["transition_fuel_g"], float),
                  1e3 * np.asarray(c["battery_power_kW"], float) * dt + change, stored, np.asarray(c["soc_end"], float))


def joined(first: Course, second: Course) -> Course:
    """One course after the other."""
    return Course(*(np.concatenate([getattr(first, f.name), getattr(second, f.name)]) for f in fields(first)))
