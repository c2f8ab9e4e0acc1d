"""What ``ems layouts`` shows: one row a layout, one row a key."""

from __future__ import annotations

from collections.abc import Sequence
from math import prod

from ems import library
from ems.components.battery import BatteryFile
from ems.components.componentfile import ComponentFile
from ems.components.engine import EngineFile
from ems.components.fuel import FuelFile
from ems.components.machine import MachineFile
from ems.components.vehicle import VehicleFile
from ems.layout.keys import Key, flatten, layout_keys
from ems.layout.load import load_layout
from ems.layout.model import Layout

COMPONENT_FILES: dict[str, type[ComponentFile]] = {
    "vehicle": VehicleFile, "engine": EngineFile, "machine": MachineFile, "battery": BatteryFile, "fuel": FuelFile,
}
"""Kind of a component -> the model of its file."""


def layout_rows(words: Sequence[str] | None = None) -> list[dict[str, object]]:
    """Facts of the shipped layouts, or of those named.

    Raises ``InputError`` for a layout that cannot be read.
    """
    return [layout_row(load_layout(word)) for word in (library.names("layout") if words is None else words)]


def layout_row(layout: Layout) -> dict[str, object]:
    """Facts of one layout under unit-suffixed keys, plain values."""
    return {
        "name": layout.name,
        "title": layout.title,
        "summary": layout.summary,
        "vehicle": layout.vehicle.name,
        "battery": layout.battery.name,
        "engine": layout.engine.engine.name,
        "engine_kW": round(layout.engine.engine.rated_power_W / 1e3, 1),
        "machines": {m.name: m.machine.name for m in layout.machines},
        "machines_kW": {m.name: round(m.machine.rated_power_W / 1e3, 1) for m in layout.machines},
        "shafts": list(layout.shafts),
        "gears": len(layout.gears),
        "planetary_sets": len(layout.planetary_sets),
        "clutches": len(layout.clutches),
        "brakes": len(layout.brakes),
        "shifters": len(layout.shifters),
        "actuator_states": actuator_state_count(layout),
        "digest": layout.digest,
    }


def layout_sources(layout: Layout) -> dict[str, str]:
    """Where the data of a layout's components come from, component by component."""
    engine = layout.engine.engine
    return {"vehicle": layout.vehicle.source, "battery": layout.battery.source, "engine": engine.source, "fuel": engine.fuel.source,
            **{m.name: m.machine.source for m in layout.machines}}


def actuator_state_count(layout: Layout) -> int:
    """Combinations of clutch, brake and shifter states, before ``at_most_one`` rules any out."""
    return int(2 ** (len(layout.clutches) + len(layout.brakes)) * prod(len(s.positions) for s in layout.shifters))


def key_rows() -> list[dict[str, object]]:
    """Every key of a layout file, in file order."""
    return [_key_row(k) for k in layout_keys()]


def component_key_rows() -> list[dict[str, object]]:
    """Every key of a component's file, in file order; ``kind`` says of which."""
    return [{"kind": kind, **_key_row(k)} for kind, model in COMPONENT_FILES.items() for k in flatten(model)]


def _key_row(k: Key) -> dict[str, object]:
    return {"key": k.dotted, "takes": k.takes, "unit": k.unit, "bounds": k.bounds, "default": k.default,
            "required": k.required, "meaning": k.meaning}
