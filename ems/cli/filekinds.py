"""What kind of file is this, by its content, and the reader that finds every mistake in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from ems.components import battery, coldstart, engine, machine, vehicle
from ems.components.componentfile import ComponentFile
from ems.components.csvfile import Check, Columns, read_columns
from ems.errors import InputError, Mistake, Mistakes
from ems.inputfile import read_text, read_toml
from ems.layout.schema import LayoutFile
from ems.trips.cycle import OPTIONAL_COLUMNS as CYCLE_COLUMNS

SUFFIXES = (".toml", ".csv")

_TOML_KINDS: dict[str, type[BaseModel]] = {
    "layout": LayoutFile,
    "vehicle": vehicle.VehicleFile,
    "engine": engine.EngineFile,
    "machine": machine.MachineFile,
    "battery": battery.BatteryFile,
}


@dataclass(frozen=True, slots=True)
class CsvKind:
    """A kind of CSV file: its columns and the check of their values (the cycle has a reader of its own)."""

    required: tuple[str, ...]
    optional: tuple[str, ...] = ()
    check: Check | None = None

    def score(self, header: Sequence[str]) -> tuple[int, int]:
        """How well a header fits: known columns found, then as few as possible missing."""
        found = sum(name in header for name in (*self.required, *self.optional))
        return found, -sum(name not in header for name in self.required)


def _engine_map(points: Columns, mistakes: Mistakes) -> None:
    engine.check_map(points, None, mistakes)


def _machine_map(points: Columns, mistakes: Mistakes) -> None:
    machine.check_map(points, mistakes)


def _full_load(curve: Columns, mistakes: Mistakes) -> None:
    engine.check_full_load(curve, None, mistakes)


def _limits(curve: Columns, mistakes: Mistakes) -> None:
    machine.check_limits(curve, None, mistakes)


_CSV_KINDS: dict[str, CsvKind] = {
    "cycle": CsvKind(("time_s",), CYCLE_COLUMNS),
    "engine map": CsvKind(("speed_rpm", "torque_Nm", "fuel_g_s"), (), _engine_map),
    "full-load curve": CsvKind(("speed_rpm", "full_load_Nm"), (), _full_load),
    "machine map": CsvKind(("speed_rpm", "torque_Nm"), ("loss_W", "electrical_power_W"), _machine_map),
    "machine limits": CsvKind(("speed_rpm", "peak_Nm", "continuous_Nm"), (), _limits),
    "motoring curve": CsvKind(("speed_rpm", "motoring_Nm"), (), engine.check_motoring),
    "cold-start curve": CsvKind(coldstart.COLUMNS, (), coldstart.check_curve),
    "battery table": CsvKind(battery.COLUMNS, battery.LIMIT_COLUMNS, battery.check_table),
    "battery over temperature": CsvKind(battery.TEMPERATURE_COLUMNS, (), battery.check_temperature),
}


def kind_of(path: Path, where: str) -> str:
    """Kind of a file: layout, vehicle, engine, machine, battery; cycle, engine map, ...

    Raises ``InputError`` when it cannot be read or looks like none of them.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise InputError([Mistake(where, "", f"a file that ends in '{path.suffix}'", f"one of {', '.join(SUFFIXES)}")])
    return _toml_kind(path, where) if suffix == ".toml" else _csv_kind(path, where)


def component_kind(word: str) -> str:
    """Kind of a component's file of the user's; a map or a curve alone is referred to its component.

    Raises ``InputError`` when the file does not exist or holds no component.
    """
    path = Path(word).expanduser()
    if not path.is_file():
        raise InputError([Mistake(word, "", "a folder" if path.is_dir() else "nothing", "an existing file")])
    kind = kind_of(path, word)
    if kind in COMPONENT_LOADERS:
        return kind
    if path.suffix.lower() == ".csv":
        check_csv(kind, path, word)
    raise InputError([Mistake(word, "", f"a {kind}", f"the TOML file of one of {', '.join(COMPONENT_LOADERS)}")])


def _toml_kind(path: Path, where: str) -> str:
    data = read_toml(path, where)
    shared = set(ComponentFile.model_fields)
    scores = {
        kind: len({f.alias or name for name, f in model.model_fields.items()} & set(data) - shared)
        for kind, model in _TOML_KINDS.items()
    }
    best = max(scores, key=lambda kind: scores[kind])
    if scores[best] == 0:
        found = f"keys {', '.join(list(data)[:6])}" if data else "no keys"
        raise InputError([Mistake(where, "", found, f"the keys of a {', '.join(_TOML_KINDS)} file")])
    return best


def _csv_kind(path: Path, where: str) -> str:
    lines = [line for line in read_text(path, where).splitlines() if line.strip() and not line.startswith("#")]
    header = [cell.strip(" \t\"") for cell in lines[0].split(",")] if lines else []
    scores = {kind: columns.score(header) for kind, columns in _CSV_KINDS.items()}
    best = max(scores, key=lambda kind: scores[kind])
    if scores[best][0] == 0:
        expected = "; ".join(f"{kind}: {', '.join(k.required)}" for kind, k in _CSV_KINDS.items())
        raise InputError([Mistake(where, "", f"columns {', '.join(header[:6]) or '(none)'}", expected)])
    return best


def check_csv(kind: str, path: Path, where: str) -> Columns:
    """Columns of a map, curve or table, checked as its component checks it.

    Raises ``InputError`` with every mistake.
    """
    columns = _CSV_KINDS[kind]
    return read_columns(path, columns.required, columns.optional, where=where, check=_guarded(columns))


def _guarded(kind: CsvKind) -> Check:
    """The check of a kind, run only when every column that it takes for granted is there."""
    def guarded(table: Columns, mistakes: Mistakes) -> None:
        if kind.check is not None and all(name in table for name in kind.required):
            kind.check(table, mistakes)

    return guarded


COMPONENT_LOADERS: Mapping[str, Callable[..., Any]] = {
    "vehicle": vehicle.load_vehicle,
    "engine": engine.load_engine,
    "machine": machine.load_machine,
    "battery": battery.load_battery,
}
