"""The calibration of the rules: one table of parameters, each with unit, bounds and a line of meaning; read from and written to TOML.

Checks, the file that is written, ``ems tune --parameter`` and ``--list`` all derive from the models below.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from ems.errors import InputError, Mistake, nearest_name
from ems.inputfile import Number, quantity, read_toml, validate
from ems.strategies.coming_back import RECOVERED

Sharing = Literal["least loss", "rating"]


class Table(BaseModel):
    """One table of the file; unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class ChargeTable(Table):
    """Which charge is held, and when the battery is meant to be drained."""

    target: Number = quantity("state of charge that is sustained", "-", ge=0, le=1)
    height_share: Number = quantity("share of the energy of height for which the battery keeps room", "-", default=RECOVERED, ge=0, le=1)
    deplete_above: Number = quantity("state of charge above which the battery is drained (depleting)", "-", default=1.0, ge=0, le=1)
    sustain_below: Number = quantity("state of charge at which depleting ends and sustaining begins", "-", default=1.0, ge=0, le=1)

    @model_validator(mode="after")
    def _hysteresis(self) -> Self:
        if self.sustain_below > self.deplete_above:
            text = "sustain_below at most deplete_above ({above}), not {below}"
            raise PydanticCustomError("order", text, {"above": self.deplete_above, "below": self.sustain_below})
        return self


class ElectricTable(Table):
    """Up to where the car drives without its engine."""

    speed_kmh: Number = quantity("speed above which the engine runs", "km/h", ge=0, le=300)
    power_kW: Number = quantity("power at the wheels above which the engine runs, at the target charge", "kW", ge=0, le=500)
    power_per_charge_kW: Number = quantity("added to that power per 0.1 of charge above the target", "kW", default=8.0, ge=0, le=200)
    slow_kmh: Number = quantity("speed below which that power rises towards rest; 0: nowhere", "km/h", default=0.0, ge=0, le=300)
    slow_power_kW: Number = quantity("by how much it has risen at rest", "kW", default=0.0, ge=0, le=200)
    lasting_s: Number = quantity(
        "time, with the present interval, that the power must last for the engine to start", "s", default=0.0, ge=0, le=60)
    speed_hysteresis_kmh: Number = quantity("how far below the speed the engine may stop", "km/h", default=5.0, ge=0, le=60)
    power_hysteresis_kW: Number = quantity("how far below the power the engine may stop", "kW", default=3.0, ge=0, le=100)
    depleting_speed_kmh: Number = quantity("speed above which the engine runs while depleting", "km/h", default=300.0, ge=0, le=300)
    depleting_power_kW: Number = quantity("power above which the engine runs while depleting", "kW", default=500.0, ge=0, le=500)


class EngineTable(Table):
    """How long the engine runs, and at which load."""

    minimum_on_s: Number = quantity("shortest time the engine runs", "s", default=6.0, ge=0, le=600)
    minimum_off_s: Number = quantity("shortest time the engine stands still, unless it is needed", "s", default=3.0, ge=0, le=600)
    braking_s: Number = quantity(
        "time of braking, with the present interval, from which the engine stops at any speed and charge", "s", default=1.0, ge=0, le=600)
    best_line_share: Number = quantity(
        "load of the engine: 0 follows the demand, 1 stays on the line of best efficiency", "-", default=0.5, ge=0, le=1)
    fade_charge: Number = quantity(
        "charge beyond the target over which the pull towards that line fades where it would lead further away", "-", default=0.1, ge=0.001,
        le=1)
    charge_per_charge_kW: Number = quantity("charging power asked for per 0.1 of charge below the target", "kW", default=8.0, ge=0, le=200)
    charge_limit_kW: Number = quantity("most charging or discharging asked for", "kW", default=12.0, ge=0, le=500)


class SeriesTable(Table):
    """Series against parallel, where the layout has both."""

    configuration: str = quantity("configuration of series driving; empty: none", "-", default="")
    below_kmh: Number = quantity("speed below which a running engine makes electricity only", "km/h", default=0.0, ge=0, le=300)
    hysteresis_kmh: Number = quantity("how far above that speed series driving ends", "km/h", default=4.0, ge=0, le=60)


class Rung(Table):
    """One gear of a ladder, from the shortest to the longest."""

    configuration: str = quantity("configuration of this gear", "-", min_length=1)
    up_kmh: Number = quantity("speed above which the next gear is taken", "km/h", default=300.0, ge=0, le=300)
    down_kmh: Number = quantity("speed below which the gear before is taken", "km/h", default=0.0, ge=0, le=300)


class GearsTable(Table):
    """Gear lines, for driving without and with the engine."""

    dwell_s: Number = quantity("shortest time in a gear, unless it becomes impossible", "s", default=3.0, ge=0, le=60)
    load_kmh_per_kW: Number = quantity("by how much the engine's lines rise with power at the wheels", "km/h per kW", default=0.0, ge=0,
                                       le=5)
    kickdown_share: Number = quantity("of the engine's best power in a shorter gear, above which power at the wheels asks for that gear",
                                      "-", default=1.0, ge=0.5, le=5)
    electric: list[Rung] = quantity("gears without the engine, shortest first", "-", default_factory=list)
    engine: list[Rung] = quantity("gears with the engine coupled to the wheels, shortest first", "-", default_factory=list)

    @model_validator(mode="after")
    def _lines_in_order(self) -> Self:
        for name in ("electric", "engine"):
            rungs: list[Rung] = getattr(self, name)
            for i in range(len(rungs) - 1):
                if rungs[i + 1].down_kmh > rungs[i].up_kmh:
                    text = "in {name}, down_kmh of gear {n} at most up_kmh of gear {m} ({up:g}), not {down:g}"
                    values = {"name": name, "n": i + 2, "m": i + 1, "up": rungs[i].up_kmh, "down": rungs[i + 1].down_kmh}
                    raise PydanticCustomError("order", text.format(**values))
        return self


class MachinesTable(Table):
    """How several machines share a load."""

    sharing: Sharing = quantity("division between machines: of least loss, or by their ratings", "-", default="least loss")


class RegenerationTable(Table):
    """How braking is shared between machines and friction brakes."""

    share: Number = quantity("largest share of the braking torque that the machines take", "-", default=1.0, ge=0, le=1)
    fade_kmh: Number = quantity("speed below which the friction brakes brake alone", "km/h", default=3.0, ge=0, le=60)


class Calibration(Table):
    """A whole calibration file of the rules."""

    title: str = Field(default="", description="what it is for, in one line", json_schema_extra={"unit": "-"})
    layout: str = Field(default="", description="layout it was made for; empty: not said", json_schema_extra={"unit": "-"})
    charge: ChargeTable = quantity("which charge is held", "-")
    electric: ElectricTable = quantity("driving without the engine", "-")
    engine: EngineTable = quantity("running time and load of the engine", "-", default_factory=EngineTable)
    series: SeriesTable = quantity("series against parallel", "-", default_factory=SeriesTable)
    gears: GearsTable = quantity("gear lines", "-", default_factory=GearsTable)
    machines: MachinesTable = quantity("sharing between machines", "-", default_factory=MachinesTable)
    regeneration: RegenerationTable = quantity("sharing of the braking", "-", default_factory=RegenerationTable)


class Parameter(BaseModel):
    """One number of a calibration: dotted name, value, unit, bounds, meaning."""

    name: str
    value: float
    unit: str
    low: float
    high: float
    meaning: str


def per_charge_kW(power_kW: float) -> float:
    """By how much an electric power limit moves per 0.1 of charge where nobody says so: by itself, within 4 and 200 kW; no source."""
    return min(max(power_kW, 4.0), 200.0)


def load_calibration(path: Path, where: str | None = None) -> Calibration:
    """A calibration from its file. Raises ``InputError`` with every mistake."""
    place = where or str(path)
    return validate(Calibration, read_toml(path, place), place)


def parameters(calibration: Calibration) -> list[Parameter]:
    """Every number of a calibration that can be tuned, in the order of the file; gears as ``gears.engine.1.up_kmh``."""
    found: list[Parameter] = []
    for prefix, table in _tables(calibration):
        for name, field in type(table).model_fields.items():
            value = getattr(table, name)
            if isinstance(value, float):
                low, high = bounds(field)
                found.append(Parameter(name=f"{prefix}.{name}", value=value, unit=unit_of(field), low=low, high=high,
                                       meaning=field.description or ""))
    return found


def _tables(calibration: Calibration) -> Iterator[tuple[str, Table]]:
    for name in ("charge", "electric", "engine", "series", "gears", "regeneration"):
        table = getattr(calibration, name)
        yield name, table
        if isinstance(table, GearsTable):
            for ladder in ("electric", "engine"):
                rungs = getattr(table, ladder)
                yield from ((f"gears.{ladder}.{i}", rung) for i, rung in enumerate(rungs, 1))


def unit_of(field: FieldInfo) -> str:
    """Unit a field was declared with."""
    extra = field.json_schema_extra
    return str(extra["unit"]) if isinstance(extra, dict) else "-"


def bounds(field: FieldInfo) -> tuple[float, float]:
    """Least and largest value of a number."""
    low = next((float(v) for m in field.metadata if (v := getattr(m, "ge", None)) is not None), 0.0)
    high = next((float(m.le) for m in field.metadata if getattr(m, "le", None) is not None), 1e9)
    return low, high


def changed(calibration: Calibration, values: Mapping[str, float], where: str = "--parameter") -> Calibration:
    """The calibration with some numbers replaced, checked anew. Raises ``InputError`` for a name or a value that is wrong."""
    known = {p.name for p in parameters(calibration)}
    wrong = [n for n in values if n not in known]
    if wrong:
        raise InputError([Mistake(where, "", f"'{n}'", f"a parameter: {', '.join(sorted(known))}", nearest_name(n, known)) for n in wrong])
    data = calibration.model_dump()
    for name, value in values.items():
        *path, last = name.split(".")
        table: Any = data
        for part in path:
            table = table[int(part) - 1] if part.isdigit() else table[part]
        table[last] = value
    return validate(Calibration, data, where)


def to_toml(calibration: Calibration) -> str:
    """The calibration file, every value with its unit, bounds and meaning."""
    lines = ["# Calibration of the rules. A computed calibration is a proposal: check it on a rig before it drives on a road.", ""]
    words = [f"{key} = {_quoted(value)}" for key in ("title", "layout") if (value := getattr(calibration, key))]
    lines += [*words, ""] if words else []
    for name, field in Calibration.model_fields.items():
        table = getattr(calibration, name)
        if isinstance(table, Table):
            lines += [f"# {field.description}", f"[{name}]", *_pairs(table), ""]
            if isinstance(table, GearsTable):
                lines += [line for ladder in ("electric", "engine") for line in _ladder(ladder, getattr(table, ladder))]
    return "\n".join(lines).rstrip() + "\n"


def _pairs(table: Table) -> list[str]:
    rows = []
    for name, field in type(table).model_fields.items():
        value = getattr(table, name)
        if isinstance(value, list):
            continue
        text = f"{value:g}" if isinstance(value, float) else _quoted(value)
        unit = unit_of(field)
        low, high = bounds(field)
        within = f" [{unit}, {low:g} to {high:g}]" if isinstance(value, float) else ""
        rows.append((f"{name} = {text}", f"# {field.description}{within}"))
    width = max((len(pair) for pair, _ in rows), default=0)
    return [f"{pair:<{width}}  {comment}" for pair, comment in rows]


def _ladder(name: str, rungs: list[Rung]) -> list[str]:
    lines: list[str] = []
    for i, rung in enumerate(rungs):
        rows = [f"configuration = {_quoted(rung.configuration)}"]
        if i < len(rungs) - 1:
            rows.append(f"up_kmh = {rung.up_kmh:g}")
        if i > 0:
            rows.append(f"down_kmh = {rung.down_kmh:g}")
        lines += [f"[[gears.{name}]]", *rows, ""]
    return lines


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'
