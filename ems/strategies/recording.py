"""A recorded drive: a CSV file at 1 to 20 Hz, and a small mapping file (TOML) that says which column is what.

    recording = "drive.csv"            # beside this file
    noise_rpm = 20                     # standard deviation of the speeds
    longest_gap_s = 2.0                # gaps up to this are bridged by straight lines

    [columns]                          # ours = the recording's; only time_s is needed besides what recognises the configuration
    time_s = "t"
    speed_kmh = "v"
    engine_rpm = "n_engine"
    engine_torque_Nm = "tq_engine"
    battery_power_kW = "p_battery"
    fuel_g_s = "fuel"

    [machine_rpm]                      # speeds and torques of machines, by their names in the layout
    mg1 = "n1"
    [machine_torque_Nm]
    mg1 = "tq1"

    [states]                           # by their names in the layout: clutches and brakes (0, 1; 0.5: slipping), shifters (position)
    K1 = "clutch_1"
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import BaseModel, ConfigDict

from ems.errors import InputError, Mistake, Mistakes, nearest_name
from ems.inputfile import Number, quantity, read_text, read_toml, validate
from ems.layout.model import Layout
from ems.types import Array

HEAD = ("time_s", "speed_kmh", "engine_rpm", "engine_torque_Nm", "battery_power_kW", "fuel_g_s")
SLOWEST_HZ, FASTEST_HZ = 0.9, 21.0


class Table(BaseModel):
    """A table of the mapping file; unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class ColumnsTable(Table):
    """The recording's columns of quantities there is one of."""

    time_s: str = quantity("column of the time", "s")
    speed_kmh: str | None = quantity("column of the car's speed", "km/h", default=None)
    engine_rpm: str | None = quantity("column of the engine's speed", "rpm", default=None)
    engine_torque_Nm: str | None = quantity("column of the engine's torque", "N m", default=None)
    battery_power_kW: str | None = quantity("column of the battery's power at its terminals, positive out of it", "kW", default=None)
    fuel_g_s: str | None = quantity("column of the fuel rate", "g/s", default=None)


class MappingFile(Table):
    """The mapping file of a recording."""

    recording: str = quantity("CSV file of the recording, relative to this file", "-")
    noise_rpm: Number = quantity("standard deviation of the noise on speeds", "rpm", default=20.0, gt=0, le=500)
    longest_gap_s: Number = quantity("gaps up to this length are bridged by straight lines", "s", default=2.0, ge=0, le=60)
    start_s: Number = quantity("time of the recording at which the cycle begins", "s", default=0.0)
    columns: ColumnsTable = quantity("names of columns", "-")
    machine_rpm: dict[str, str] = quantity("column of each machine's speed", "rpm", default_factory=dict)
    machine_torque_Nm: dict[str, str] = quantity("column of each machine's torque", "N m", default_factory=dict)
    states: dict[str, str] = quantity("column of each clutch, brake and shifter", "-", default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A recording with our names, n samples; NaN where a value is missing.

    values : ``time_s`` from the start of the cycle, ``engine_rpm``, ``mg1_rpm``, ``mg1_torque_Nm`` ... -> (n,)
    states : actuator -> (n,) words
    """

    path: Path
    mapping: MappingFile
    values: dict[str, Array]
    states: dict[str, list[str]]
    unreadable: int
    rate_hz: float

    def gaps(self, end_s: float) -> tuple[int, float, float]:
        """(how many, seconds in all, longest) of the gaps longer than two samples, up to a time."""
        time = self.values["time_s"]
        inside = np.concatenate([[0.0], time[(time >= 0.0) & (time < end_s)], [end_s]])
        steps = np.diff(inside)
        wide = steps[steps > 2.5 / self.rate_hz]
        return wide.size, float(wide.sum()), float(wide.max()) if wide.size else 0.0

    def over(self, name: str, start_s: Array, end_s: Array) -> Array:
        """Mean of a quantity over each interval: of its samples, or of the straight line across a gap that is short enough; else NaN."""
        if name not in self.values:
            return np.full(start_s.size, np.nan)
        time, value = self.values["time_s"], self.values[name]
        there = np.isfinite(value)
        time, value = time[there], value[there]
        if time.size < 2:
            return np.full(start_s.size, np.nan)
        first, last = np.searchsorted(time, start_s - 1e-9), np.searchsorted(time, end_s - 1e-9)
        total = np.concatenate([[0.0], np.cumsum(value)])
        count = last - first
        mean = (total[last] - total[first]) / np.maximum(count, 1)
        middle = 0.5 * (start_s + end_s)
        after = np.clip(np.searchsorted(time, middle), 1, time.size - 1)
        short = time[after] - time[after - 1] <= self.mapping.longest_gap_s + 1e-9
        bridged = np.where(short & (middle >= time[0]) & (middle <= time[-1]), np.interp(middle, time, value), np.nan)
        out: Array = np.where(count > 0, mean, bridged)
        return out


def load_recording(path: Path, layout: Layout, where: str | None = None) -> Recording:
    """A recording from its mapping file. Raises ``InputError`` with every mistake in the mapping, the names and the recording."""
    place = where or str(path)
    mapping = validate(MappingFile, read_toml(path, place), place)
    mistakes = Mistakes()
    _check_names(mapping, layout, place, mistakes)
    file = path.parent / mapping.recording
    if not file.is_file():
        mistakes.add(place, "recording", f"'{mapping.recording}'", "an existing CSV file, relative to the mapping file")
        mistakes.raise_if_any()
    wanted = _wanted(mapping)
    frame = _frame(file, mapping.recording)
    for key, column in wanted.items():
        if column not in frame:
            mistakes.add(place, key, f"'{column}'", f"a column of {mapping.recording}", nearest_name(column, frame))
    mistakes.raise_if_any()
    values, unreadable = _numbers({k: frame[c] for k, c in wanted.items() if not k.startswith("states.")})
    states = {name: [text.strip() for text in frame[column]] for name, column in mapping.states.items()}
    return _ordered(file, mapping, values, states, unreadable, place)


def _check_names(mapping: MappingFile, layout: Layout, where: str, mistakes: Mistakes) -> None:
    machines = [m.name for m in layout.machines]
    actuators = [*(c.name for c in layout.clutches), *(b.name for b in layout.brakes), *(s.name for s in layout.shifters)]
    for table, known, what in (("machine_rpm", machines, "machine"), ("machine_torque_Nm", machines, "machine"),
                               ("states", actuators, "clutch, brake or shifter")):
        for name in getattr(mapping, table):
            if name not in known:
                mistakes.add(where, f"{table}.{name}", f"'{name}'", f"a {what} of {layout.name}: {', '.join(known) or 'none'}",
                             nearest_name(name, known))


def _wanted(mapping: MappingFile) -> dict[str, str]:
    """Our key -> the recording's column."""
    head = {f"columns.{name}": getattr(mapping.columns, name) for name in HEAD}
    rest = {f"{table}.{name}": column for table in ("machine_rpm", "machine_torque_Nm", "states")
            for name, column in getattr(mapping, table).items()}
    return {key: column for key, column in (head | rest).items() if column is not None}


def _frame(path: Path, where: str) -> dict[str, list[str]]:
    """Columns of a CSV file as text, cells that a short row lacks empty."""
    lines = [line for line in read_text(path, where).splitlines() if line.strip() and not line.startswith("#")]
    table = [[cell.strip() for cell in row] for row in csv.reader(lines, skipinitialspace=True)]
    header, rows = table[:1], table[1:]
    if not rows:
        raise InputError([Mistake(where, "", "a header without rows", "a recording")])
    return {name: [row[i] if i < len(row) else "" for row in rows] for i, name in enumerate(header[0])}


def _numbers(texts: dict[str, list[str]]) -> tuple[dict[str, Array], int]:
    """Our names with numbers, NaN for what is none; and how many cells had text that is no number."""
    values: dict[str, Array] = {}
    unreadable = 0
    for key, cells in texts.items():
        table, _, name = key.partition(".")
        numbers = np.array([_number(cell) for cell in cells])
        unreadable += sum(1 for cell, x in zip(cells, numbers, strict=True) if cell and not np.isfinite(x))
        values[name if table == "columns" else f"{name}_{table.removeprefix('machine_')}"] = numbers
    return values, unreadable


def _number(cell: str) -> float:
    try:
        value = float(cell)
    except ValueError:
        return float("nan")
    return value if np.isfinite(value) else float("nan")


def _ordered(path: Path, mapping: MappingFile, values: dict[str, Array], states: dict[str, list[str]], unreadable: int,
             where: str) -> Recording:
    """Rows without time left out, in the order of time, repeated times dropped, time from the start of the cycle."""
    time = values["time_s"]
    order = [int(i) for i in np.argsort(time, kind="stable") if np.isfinite(time[i])]
    keep = [i for n, i in enumerate(order) if n == 0 or time[i] > time[order[n - 1]]]
    if len(keep) < 2:
        raise InputError([Mistake(where, "columns.time_s", "fewer than two times", "a recording")])
    rate = 1.0 / float(np.median(np.diff(time[keep])))
    if not SLOWEST_HZ <= rate <= FASTEST_HZ:
        raise InputError([Mistake(where, "columns.time_s", f"{rate:.3g} samples a second", "a recording of 1 to 20 samples a second")])
    ordered: dict[str, Any] = {name: value[keep] for name, value in values.items()}
    ordered["time_s"] = ordered["time_s"] - mapping.start_s
    return Recording(path, mapping, ordered, {name: [words[i] for i in keep] for name, words in states.items()}, unreadable, rate)
