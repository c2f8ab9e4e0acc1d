"""From a layout file to a ``Layout``: read, override, check everything, load its components."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

from ems import library
from ems.components.battery import load_battery
from ems.components.engine import Engine, load_engine
from ems.components.machine import Machine, load_machine
from ems.components.shelf import Component, Shelf
from ems.components.vehicle import load_vehicle
from ems.errors import InputError, Mistake, Mistakes
from ems.inputfile import validate
from ems.layout.based_on import BASED_ON, RawLayout, read_layout
from ems.layout.checks import check_structure
from ems.layout.digest import digest
from ems.layout.masses import laden, parts_of
from ems.layout.model import (
    Axle,
    Brake,
    Clutch,
    DrawingOrder,
    EngineUse,
    Gear,
    Layout,
    MachineUse,
    OneWay,
    PlanetarySet,
    ShaftProperties,
    Shifter,
)
from ems.layout.override import OPTION, apply_all, resolved
from ems.layout.schema import GROUND, EngineTable, LayoutFile, MachineTable, ShifterTable
from ems.layout.sketch import sketch
from ems.quantities import RAD_S_PER_RPM

NEUTRAL = "neutral"

Part = TypeVar("Part", bound=Component)


def load_layout(word: str, *, overrides: Sequence[str] = (), where: str = "LAYOUT", shelf: Shelf | None = None) -> Layout:
    """A layout by short name or path.

    overrides : ``KEY=VALUE`` texts, as of the option ``--set``, applied in turn
    where     : who asks, for the message about a name that is not known
    shelf     : components kept from layouts loaded before, and for those to come
    Raises ``InputError`` with every mistake in the file, the overrides and the components' files.
    """
    path = library.find("layout", word, where=where)
    place = word if library.is_path(word) else path.name
    mistakes = Mistakes()
    raw = read_layout(path, place)
    mistakes.found += raw.mistakes
    data = apply_all(raw.data, overrides, mistakes)
    try:
        layout = layout_from(data, name=path.stem, where=place, beside=path.parent, path=path, shelf=shelf)
    except InputError as error:
        changed = [resolved(tuple(text.partition("=")[0].strip().split("."))) for text in overrides]
        mistakes.found += [_told_at_origin(m, raw, changed) for m in error.mistakes]
    mistakes.raise_if_any()
    return dataclasses.replace(layout, files=(*raw.files, *layout.files))


def _told_at_origin(mistake: Mistake, raw: RawLayout, paths: Sequence[tuple[str, ...]]) -> Mistake:
    """A mistake in a value that came from ``--set``, or from the layout this one is based on, is told there."""
    parts = tuple(mistake.key.split("."))
    if mistake.where != raw.place:
        return mistake
    if any(parts[: len(path)] == path for path in paths):
        return dataclasses.replace(mistake, where=OPTION)
    return dataclasses.replace(mistake, where=raw.place_of(mistake.key))


def layout_from(
    data: Mapping[str, Any], *, name: str, where: str, beside: Path | None = None, path: Path | None = None,
    shelf: Shelf | None = None,
) -> Layout:
    """A layout from the raw content of a file, for instance one changed by ``override.apply``.

    name   : short name of the result       where : file name for messages
    beside : folder that paths in it are relative to; the current folder when None
    shelf  : components kept from layouts loaded before, and for those to come
    Raises ``InputError`` with every mistake.
    """
    mistakes = Mistakes()
    try:
        file = validate(LayoutFile, data, where)
    except InputError as error:
        mistakes.extend(error)
    check_structure(data, where, mistakes)
    parts = _Components(where, beside, mistakes, shelf or Shelf())
    vehicle = parts.load(load_vehicle, data.get("vehicle"), "vehicle")
    battery = parts.load(load_battery, data.get("battery"), "battery")
    engine = parts.load(load_engine, _map_of(data.get("engine")), "engine.map")
    machines = {
        key: parts.load(load_machine, _map_of(table), f"machines.{key}.map")
        for key, table in _named_tables(data.get("machines"))
    }
    mistakes.raise_if_any()
    assert vehicle is not None and battery is not None and engine is not None
    parts_kg, reference_kg = parts_of(file), file.masses.reference_kg
    layout = Layout(
        name=name, title=file.name, summary=file.summary, path=path,
        vehicle=laden(vehicle, parts_kg, reference_kg, where), battery=battery,
        engine=_engine_use(file.engine, engine),
        machines=tuple(_machine_use(key, table, machines[key]) for key, table in file.machines.items()),
        shafts=sketch(data).shafts, **_elements(file),
        at_most_one=tuple(tuple(group) for group in file.at_most_one), forbid=tuple(file.forbid),
        pump_stopped_W=file.pump.engine_stopped_W, pump_running_W=file.pump.engine_running_W,
        parts_kg=parts_kg, reference_kg=reference_kg,
        shift_price_g=file.prices.shift_g, start_price_g=file.prices.start_g, digest="",
        drawing=DrawingOrder(tuple(file.drawing.rows), tuple(file.drawing.items)),
        files=tuple(dict.fromkeys(f for part in (vehicle, battery, engine, *machines.values()) if part for f in part.files)),
    )
    return dataclasses.replace(layout, digest=digest(layout))


# -------------------------------------------------------------------------------------------------- components


@dataclasses.dataclass(frozen=True, slots=True)
class _Components:
    """Loads components named in a layout file and collects their mistakes."""

    where: str
    beside: Path | None
    mistakes: Mistakes
    shelf: Shelf

    def load(self, loader: Callable[..., Part], word: object, key: str) -> Part | None:
        """The component; None when it is missing (told elsewhere) or wrong (told in ``mistakes``)."""
        if not isinstance(word, str | Mapping) or word == "":
            return None
        overrides: Mapping[str, object] | None = None
        if isinstance(word, Mapping) and BASED_ON in word:
            overrides = {k: v for k, v in word.items() if k != BASED_ON}
            word = word[BASED_ON]
        try:
            return self.shelf.load(loader, word, where=self.where, key=key, beside=self.beside, overrides=overrides)
        except InputError as error:
            self.mistakes.extend(error)
            return None


def _map_of(table: object) -> object:
    return table.get("map") if isinstance(table, Mapping) else None


def _named_tables(section: object) -> list[tuple[str, object]]:
    return list(section.items()) if isinstance(section, Mapping) else []


def _engine_use(table: EngineTable, engine: Engine) -> EngineUse:
    scaled = engine if table.rating_kW is None else engine.scaled(1e3 * table.rating_kW)
    return EngineUse(table.shaft, scaled, table.started_by, table.fuel_cut, table.mass_kg)


def _machine_use(name: str, table: MachineTable, machine: Machine | None) -> MachineUse:
    assert machine is not None
    scaled = machine if table.rating_kW is None else machine.scaled(1e3 * table.rating_kW)
    return MachineUse(name, table.shaft, scaled, table.drives, table.mass_kg)


# ---------------------------------------------------------------------------------------------------- elements


def _elements(file: LayoutFile) -> dict[str, Any]:
    """Everything that joins shafts or belongs to them, as the fields of ``Layout``."""
    return {
        "gears": tuple(
            Gear(name, g.from_shaft, g.to_shaft, g.exact_ratio(), g.efficiency, g.capacity_Nm,
                 g.from_shaft if g.capacity_at == "from" else g.to_shaft, g.mass_kg)
            for name, g in file.gears.items()
        ),
        "planetary_sets": tuple(
            PlanetarySet(name, p.sun, p.ring, p.carrier, p.exact_ratio(), p.efficiency, p.capacity_Nm,
                         getattr(p, p.capacity_at), p.exact_pinion_ratio(), _rad_s(p.max_pinion_rpm), p.mass_kg)
            for name, p in file.planetary_sets.items()
        ),
        "clutches": tuple(
            Clutch(name, c.joins[0], c.joins[1], c.hold_W, c.slips, c.capacity_Nm, _rad_s(c.max_slip_rpm), c.drag_Nm,
                   c.engagement_s, c.mass_kg)
            for name, c in file.clutches.items()
        ),
        "brakes": tuple(
            Brake(name, b.holds, b.hold_W, b.capacity_Nm, b.drag_Nm, b.engagement_s, b.mass_kg)
            for name, b in file.brakes.items()
        ),
        "one_way": tuple(
            OneWay(name, _or_ground(w.from_shaft), _or_ground(w.to_shaft), w.capacity_Nm, w.drag_Nm, w.mass_kg)
            for name, w in file.one_way.items()
        ),
        "shifters": tuple(_shifter(name, s) for name, s in file.shifters.items()),
        "axles": tuple(Axle(name, a.shaft) for name, a in file.axles.items()),
        "shaft_properties": {
            name: ShaftProperties(s.inertia_kgm2, _rad_s(s.max_rpm), s.drag_Nm, s.drag_Nms_rad)
            for name, s in file.shafts.items()
        },
    }


def _rad_s(speed_rpm: float | None) -> float | None:
    return None if speed_rpm is None else speed_rpm * RAD_S_PER_RPM


def _or_ground(shaft: str) -> str | None:
    return None if shaft.lower() == GROUND else shaft


def _shifter(name: str, table: ShifterTable) -> Shifter:
    neutral: tuple[tuple[str, str | None], ...] = ((NEUTRAL, None),) if table.neutral else ()
    return Shifter(name, table.hub, neutral + tuple(table.positions.items()), table.hold_W,
                   table.engagement_s, table.mass_kg)
