"""What looks wrong with a speed trace but may be right: warnings, never errors."""

from __future__ import annotations

import numpy as np

from ems.components.csvfile import Columns
from ems.trips.resample import Trace
from ems.types import Array

IMPLAUSIBLE_ACCELERATION_M_S2 = 6.0   # above what road tyres and passengers bear in traffic
FAST_M_S = 70.0                       # 252 km/h
LONG_GAP_S = 10.0


def suspicions(table: Columns, speed_column: str, trace: Trace) -> list[str]:
    """Warnings about a trace that reads well, each naming line, value and what it may mean."""
    found = [
        _another_unit(speed_column, table[speed_column], trace),
        _too_brisk(table, trace),
        _gap(table, trace),
        _not_at_rest(table, speed_column),
    ]
    return [f"{table.where}: {text}" for text in found if text]


def _another_unit(column: str, values: Array, trace: Trace) -> str:
    """Too fast for the unit; or as slow and as gentle as metres a second taken for kilometres an hour.

    Ordinary driving accelerates at 1 to 3 m/s2 somewhere. Taken for km/h, m/s show 0.3 to 0.8 m/s2 and a top speed
    below 40.
    """
    fastest = float(trace.speed_m_s.max())
    if fastest > FAST_M_S:
        told = f"column {column} reaches {values.max():g}"
        if column == "speed_kmh":
            return f"{told}, faster than road vehicles go; it looks like another unit"
        return f"{told}, which is {3.6 * fastest:.0f} km/h; it looks like another unit (km/h: then name the column speed_kmh)"
    quickest = float(_accelerations(trace).max())
    if column == "speed_kmh" and 10.0 < values.max() < 40.0 and 0.2 < quickest < 0.8:
        return (f"column speed_kmh stays under {values.max():g} and accelerates at no more than {quickest:.2f} m/s2; "
                "it looks like another unit (m/s: then name the column speed_m_s)")
    return ""


def _too_brisk(table: Columns, trace: Trace) -> str:
    accelerations = np.abs(_accelerations(trace))
    rows = np.flatnonzero(accelerations > IMPLAUSIBLE_ACCELERATION_M_S2)
    if not rows.size:
        return ""
    first = int(rows[0])
    return (f"{table.place(first + 1, 'time_s')}: speed changes at {accelerations[first]:.1f} m/s2; {rows.size} such "
            f"place(s) above {IMPLAUSIBLE_ACCELERATION_M_S2:g} m/s2, up to {accelerations.max():.1f}; "
            "a wrong unit, a jump or a lost row?")


def _gap(table: Columns, trace: Trace) -> str:
    """A long step between rows that stand for motion; a long rest in two rows is fine."""
    steps = np.diff(trace.time_s)
    moving = (trace.speed_m_s[1:] > 0.0) | (trace.speed_m_s[:-1] > 0.0)
    rows = np.flatnonzero((steps > LONG_GAP_S) & moving)
    if not rows.size:
        return ""
    first = int(rows[0])
    return (f"{table.place(first + 1, 'time_s')}: {steps[first]:g} s after the row before; {rows.size} such "
            f"gap(s) above {LONG_GAP_S:g} s, up to {steps[rows].max():g}; "
            "the trip is taken as a straight line in between")


def _not_at_rest(table: Columns, column: str) -> str:
    values = table[column]
    ends = [(word, float(value)) for word, value in (("begins", values[0]), ("ends", values[-1])) if value != 0.0]
    if not ends:
        return ""
    what = " and ".join(f"{word} at {value:g}" for word, value in ends)
    return f"column {column} {what}, not at rest; kinetic energy enters or leaves the trip unpaid"


def _accelerations(trace: Trace) -> Array:
    return np.diff(trace.speed_m_s) / np.diff(trace.time_s)
