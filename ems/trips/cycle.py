"""Drive cycles: reading a file, checking it, bringing it to steps of one second.

A cycle file is CSV with ``time_s``, one of ``speed_kmh``, ``speed_m_s`` and ``speed_mph``, and optionally
``grade_percent`` and ``auxiliary_W``; comment lines give title, source, status, phases and notes (cycles/README.md).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ems import library
from ems.components.csvfile import Columns, read_columns
from ems.errors import Mistakes
from ems.trips import resample
from ems.trips.suspicion import suspicions
from ems.types import Array, BoolArray, IntArray

SPEED_UNITS_M_S = {"speed_kmh": 1.0 / 3.6, "speed_m_s": 1.0, "speed_mph": 1609.344 / 3600.0}
OTHER_NAMES = {
    "speed": "speed_kmh, speed_m_s or speed_mph", "velocity": "speed_kmh, speed_m_s or speed_mph",
    "speed_kph": "speed_kmh", "speed_km_h": "speed_kmh", "kmh": "speed_kmh", "kph": "speed_kmh",
    "speed_ms": "speed_m_s", "speed_mps": "speed_m_s", "m_s": "speed_m_s", "mps": "speed_m_s",
    "mph": "speed_mph", "time": "time_s", "t": "time_s", "grade": "grade_percent", "slope_percent": "grade_percent",
}
OPTIONAL_COLUMNS = (*SPEED_UNITS_M_S, "grade_percent", "auxiliary_W")
LARGEST_SPEED_KMH = 500.0
LARGEST_GRADE_PERCENT = 40.0
LARGEST_AUXILIARY_W = 100_000.0
LONGEST_S = 1_000_000.0


@dataclass(frozen=True, slots=True)
class Phase:
    """A named part of a cycle, from ``start_s`` to ``end_s`` on the cycle's own time [s]."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Cycle:
    """A trip in steps of one second.

    time_s : (N+1,) [s]                 speed_m_s : (N+1,) [m/s], straight lines in between
    grade : (N+1,) rise over run [-]    auxiliary_W : (N,) electrical load on top of the vehicle's own [W]
    phases : in order, without overlap; empty when the file names none
    source, status : where the trace comes from, and how well it was checked
    invented : whether the file says that it is
    notes : what the file says of itself, and what was done to it (resampling)
    warnings : what looks wrong with it but may be right; each names the file
    file : the file read; None for a cycle made in memory
    """

    name: str
    title: str
    time_s: Array
    speed_m_s: Array
    grade: Array
    auxiliary_W: Array
    phases: tuple[Phase, ...] = ()
    source: str = ""
    status: str = ""
    invented: bool = False
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    file: Path | None = None

    @property
    def duration_s(self) -> float:
        """Length in time [s]."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def middle_speed_m_s(self) -> Array:
        """Speed in the middle of each interval, (N,) [m/s]."""
        return 0.5 * (self.speed_m_s[1:] + self.speed_m_s[:-1])

    @property
    def acceleration_m_s2(self) -> Array:
        """Acceleration in each interval, (N,) [m/s2]."""
        return np.diff(self.speed_m_s) / np.diff(self.time_s)

    @property
    def distance_m(self) -> float:
        """Length on the road [m]."""
        return resample.distance_m(self.time_s, self.speed_m_s)

    @property
    def altitude_m(self) -> Array:
        """Height above the start at each time, (N+1,) [m]."""
        grade = 0.5 * (self.grade[1:] + self.grade[:-1])
        rise = grade / np.sqrt(1.0 + grade**2) * self.middle_speed_m_s * np.diff(self.time_s)
        return np.concatenate(([0.0], np.cumsum(rise)))

    @property
    def climb_m(self) -> float:
        """Sum of everything climbed, descents not subtracted [m]."""
        return float(np.sum(np.maximum(np.diff(self.altitude_m), 0.0)))

    @property
    def standstill(self) -> BoolArray:
        """Intervals at rest from end to end, (N,)."""
        still: BoolArray = (self.speed_m_s[1:] == 0.0) & (self.speed_m_s[:-1] == 0.0)
        return still

    @property
    def standstill_s(self) -> float:
        """Time at rest [s]."""
        return float(np.sum(np.diff(self.time_s)[self.standstill]))

    @property
    def stops(self) -> int:
        """How often the vehicle comes to rest, the end included."""
        return int(np.sum((self.speed_m_s[:-1] > 0.0) & (self.speed_m_s[1:] == 0.0)))

    @property
    def phase_index(self) -> IntArray:
        """Phase each interval belongs to, by its middle: index into ``phases``, -1 for none, (N,)."""
        middle = 0.5 * (self.time_s[1:] + self.time_s[:-1])
        index = np.full(middle.size, -1, dtype=np.int64)
        for i, phase in enumerate(self.phases):
            index[(middle >= phase.start_s) & (middle < phase.end_s)] = i
        return index

    def phase_distance_m(self, phase: Phase) -> float:
        """Length of a phase on the road [m]."""
        inside = self.phase_index == self.phases.index(phase)
        return float(np.sum((self.middle_speed_m_s * np.diff(self.time_s))[inside]))


def load_cycle(word: str, *, where: str = "--cycle", beside: Path | None = None) -> Cycle:
    """The cycle a word stands for, in steps of one second.

    word   : short name of a shipped cycle (any case) or path of a file
    where  : who asked, for the message when there is no such cycle
    beside : folder that a relative path is relative to; the current folder when None
    Raises ``InputError`` with every mistake of the file: line, value found, what was expected.
    """
    path = library.find("cycle", word, where=where, beside=beside)
    table = read_columns(path, ("time_s",), OPTIONAL_COLUMNS, where=word if library.is_path(word) else path.name,
                         check=_check, hints=OTHER_NAMES)
    speed_column = _speed_column(table)
    trace = _trace(table, speed_column)
    notes, warnings = _comments(table, "note"), suspicions(table, speed_column, trace)
    if not resample.is_uniform(trace.time_s):
        trace, note, warning = _resampled(trace)
        notes, warnings = [*notes, note], [*warnings, *(f"{table.where}: {text}" for text in warning)]
    return Cycle(
        name=path.stem,
        title=table.comments.get("title", path.stem),
        time_s=trace.time_s,
        speed_m_s=trace.speed_m_s,
        grade=trace.grade,
        auxiliary_W=trace.auxiliary_W[:-1],
        phases=tuple(_phases(table, Mistakes())),
        source=table.source,
        status=table.comments.get("status", ""),
        invented=table.invented,
        notes=tuple(notes),
        warnings=tuple(warnings),
        file=path,
    )


# ------------------------------------------------------------------------------------------------- from the table


def _speed_column(table: Columns) -> str:
    return next(name for name in SPEED_UNITS_M_S if name in table)


def _trace(table: Columns, speed_column: str) -> resample.Trace:
    nothing = np.zeros(table["time_s"].size)
    return resample.Trace(
        time_s=table["time_s"],
        speed_m_s=table[speed_column] * SPEED_UNITS_M_S[speed_column],
        grade=table["grade_percent"] / 100.0 if "grade_percent" in table else nothing,
        auxiliary_W=table.columns.get("auxiliary_W", nothing),
    )


def _comments(table: Columns, key: str) -> list[str]:
    return [comment.text for comment in table.comment_lines if comment.key == key]


def _resampled(trace: resample.Trace) -> tuple[resample.Trace, str, list[str]]:
    """The trace in steps of one second, a note on what was done, and a warning when it was a lot."""
    steps = np.diff(trace.time_s)
    even, factor = resample.to_seconds(trace)
    left_off = float(trace.time_s[-1] - even.time_s[-1])
    note = (
        f"steps of {steps.min():g} to {steps.max():g} s brought to 1 s: speed and grade read off straight lines "
        f"between the rows, speed then multiplied by {factor:.6f} to keep the distance of "
        f"{resample.distance_m(even.time_s, even.speed_m_s) / 1000.0:.4f} km"
    )
    if left_off > resample.SAME_TIME_S:
        note += f"; the last {left_off:.3g} s, no whole second, left off"
    elif left_off < -resample.SAME_TIME_S:
        note += f"; {-left_off:.3g} s at rest added to complete the last second"
    if abs(factor - 1.0) <= resample.LARGEST_FACTOR:
        return even, note, []
    return even, note, [f"bringing the trace to steps of 1 s changed its distance by {100 * (1 / factor - 1):.1f} % "
                        "before it was corrected: it moves faster than steps of 1 s can follow"]


# ---------------------------------------------------------------------------------------------------------- checks


def _check(table: Columns, mistakes: Mistakes) -> None:
    """Everything that makes a table no cycle; values that could not be read are NaN and pass every comparison."""
    speeds = [name for name in SPEED_UNITS_M_S if name in table]
    if len(speeds) != 1:
        found = f"columns {' and '.join(speeds)}" if speeds else "no speed column"
        mistakes.add(table.where, "", found, f"exactly one of {', '.join(SPEED_UNITS_M_S)}")
    for name in speeds:
        _check_speed(table, name, mistakes)
    if "time_s" in table:
        _check_time(table, mistakes)
    if "grade_percent" in table:
        _check_range(table, "grade_percent", -LARGEST_GRADE_PERCENT, LARGEST_GRADE_PERCENT,
                     "rise over run in percent, from -40 to 40", mistakes)
    if "auxiliary_W" in table:
        _check_range(table, "auxiliary_W", 0.0, LARGEST_AUXILIARY_W, "a load in W, from 0 to 100000", mistakes)
    _phases(table, mistakes)


def _check_time(table: Columns, mistakes: Mistakes) -> None:
    time = table["time_s"]
    if time.size < 2:
        mistakes.add(table.where, "", f"{time.size} row", "at least two rows, a start and an end")
        return
    for row in np.flatnonzero(np.diff(time) <= 0.0) + 1:
        mistakes.add(table.where, table.place(int(row), "time_s"), f"{time[row]:g} after {time[row - 1]:g}",
                     "a later time than in the row before; sort the rows and drop repeats")
    duration = float(time[-1] - time[0])
    if 0.0 < duration < 1.0:
        mistakes.add(table.where, table.place(-1, "time_s"), f"a trip of {duration:g} s", "a second at least")
    if duration > LONGEST_S:
        mistakes.add(table.where, table.place(-1, "time_s"), f"a trip of {duration:g} s",
                     f"at most {LONGEST_S:.0f} s; if these are milliseconds, divide by 1000")


def _check_speed(table: Columns, name: str, mistakes: Mistakes) -> None:
    largest = LARGEST_SPEED_KMH / 3.6 / SPEED_UNITS_M_S[name]
    _check_range(table, name, 0.0, largest,
                 f"a speed from 0 to 500 km/h ({largest:.4g} in this column's unit); another unit has another column",
                 mistakes)
    if not np.any(table[name] != 0.0):
        mistakes.add(table.where, "", f"0 in every row of column {name}", "a trip that moves")


def _check_range(table: Columns, name: str, low: float, high: float, expected: str, mistakes: Mistakes) -> None:
    values = table[name]
    for row in np.flatnonzero((values < low) | (values > high)):
        mistakes.add(table.where, table.place(int(row), name), f"{values[row]:g}", expected)


def _phases(table: Columns, mistakes: Mistakes) -> list[Phase]:
    """Phases of the ``# phase: name, start_s, end_s`` lines."""
    phases: list[Phase] = []
    for comment in table.comment_lines:
        if comment.key != "phase":
            continue
        phase = _phase(comment.text)
        complaint = _phase_complaint(phase, phases[-1] if phases else None, table)
        if phase is None or complaint:
            mistakes.add(table.where, f"line {comment.line}", f"phase '{comment.text}'", complaint)
        else:
            phases.append(phase)
    return phases


def _phase(text: str) -> Phase | None:
    """A phase from ``name, start_s, end_s``; the name may hold commas."""
    parts = [part.strip() for part in text.rsplit(",", 2)]
    try:
        name, start, end = parts[0], float(parts[1]), float(parts[2])
    except (IndexError, ValueError):
        return None
    return Phase(name, start, end) if name else None


def _phase_complaint(phase: Phase | None, before: Phase | None, table: Columns) -> str:
    """What is wrong with a phase, in the words of what was expected; empty when nothing is."""
    if phase is None:
        return "phase: name, start_s, end_s"
    if not phase.start_s < phase.end_s:
        return "a start before its end"
    if before is not None and phase.start_s < before.end_s:
        return f"a start no earlier than the end of the phase before, {before.end_s:g} s"
    if "time_s" not in table:
        return ""
    first, last = float(table["time_s"][0]), float(table["time_s"][-1])
    outside = phase.start_s < first - 1.0 or phase.end_s > last + 1.0
    return f"times of the trip, from {first:g} to {last:g} s" if outside else ""
