"""What ``ems cycles`` shows: one row a cycle."""

from __future__ import annotations

from collections.abc import Sequence

from ems import library
from ems.trips.cycle import Cycle, load_cycle


def cycle_rows(words: Sequence[str] | None = None) -> list[dict[str, object]]:
    """Totals of the shipped cycles, or of those named.

    words : short names or paths; every shipped cycle when None
    Returns one dict a cycle, keys with units, values plain (str, float, int, list) and rounded to what is meaningful.
    Raises ``InputError`` for a cycle that cannot be read.
    """
    return [cycle_row(load_cycle(word)) for word in (library.names("cycle") if words is None else words)]


def cycle_row(cycle: Cycle) -> dict[str, object]:
    """Totals of one cycle under unit-suffixed keys."""
    return {
        "name": cycle.name,
        "title": cycle.title,
        "duration_s": cycle.duration_s,
        "distance_km": round(cycle.distance_m / 1000.0, 4),
        "mean_speed_kmh": round(3.6 * cycle.distance_m / cycle.duration_s, 2),
        "max_speed_kmh": round(3.6 * float(cycle.speed_m_s.max()), 2),
        "stops": cycle.stops,
        "standstill_s": cycle.standstill_s,
        "max_acceleration_m_s2": round(float(cycle.acceleration_m_s2.max()), 3),
        "climb_m": round(cycle.climb_m, 1),
        "height_gain_m": round(float(cycle.altitude_m[-1]), 1),
        "phases": [
            {"name": phase.name, "start_s": phase.start_s, "end_s": phase.end_s,
             "distance_km": round(cycle.phase_distance_m(phase) / 1000.0, 4)}
            for phase in cycle.phases
        ],
        "source": cycle.source,
        "status": cycle.status,
        "invented": cycle.invented,
        "notes": list(cycle.notes),
        "warnings": list(cycle.warnings),
    }
