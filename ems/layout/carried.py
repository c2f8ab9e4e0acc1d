"""A layout as text that a result carries, so that it can be shown when its files have changed or are gone."""

from __future__ import annotations

from ems.components.battery import Battery
from ems.components.coldstart import ColdStart
from ems.components.engine import Engine
from ems.components.fuel import Fuel
from ems.components.machine import Machine
from ems.components.vehicle import AxleGrip, Vehicle
from ems.layout import model
from ems.layout.model import Layout
from ems.written import text_of, value_of

CLASSES = (
    Layout, Battery, ColdStart, Engine, Fuel, Machine, AxleGrip, Vehicle, model.EngineUse, model.MachineUse, model.Gear, model.PlanetarySet,
    model.Clutch, model.Brake, model.OneWay, model.Shifter, model.Axle, model.ShaftProperties, model.DrawingOrder,
)


def layout_text(layout: Layout) -> str:
    """Everything a layout is, its paths left out."""
    return text_of(layout)


def layout_of(text: str) -> Layout:
    """What ``layout_text`` wrote. Raises ``ValueError`` where it is damaged or of another version."""
    found = value_of(text, CLASSES)
    if not isinstance(found, Layout):
        raise ValueError("no layout")
    return found
