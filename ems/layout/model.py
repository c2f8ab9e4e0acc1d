"""A layout as the rest of the program sees it: frozen, checked, in SI units, ratios exact."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from ems.components.battery import Battery
from ems.components.engine import Engine
from ems.components.machine import Machine
from ems.components.vehicle import Vehicle


@dataclass(frozen=True, slots=True, eq=False)
class EngineUse:
    """The engine and the shaft it turns; ``started_by`` names the machine that cranks it (None: its own starter)."""

    shaft: str
    engine: Engine
    started_by: str | None


@dataclass(frozen=True, slots=True, eq=False)
class MachineUse:
    """An electric machine and the shaft it turns."""

    name: str
    shaft: str
    machine: Machine


@dataclass(frozen=True, slots=True)
class Gear:
    """A pair in constant mesh: speed(from_shaft) = ratio speed(to_shaft), ratio signed and not zero."""

    name: str
    from_shaft: str
    to_shaft: str
    ratio: Fraction
    efficiency: float


@dataclass(frozen=True, slots=True)
class PlanetarySet:
    """Willis: speed(sun) + ratio speed(ring) = (1 + ratio) speed(carrier); ratio = ring teeth / sun teeth."""

    name: str
    sun: str
    ring: str
    carrier: str
    ratio: Fraction
    efficiency: float


@dataclass(frozen=True, slots=True)
class Clutch:
    """Closed, its two shafts turn together; ``hold_W`` keeps it closed."""

    name: str
    first: str
    second: str
    hold_W: float


@dataclass(frozen=True, slots=True)
class Brake:
    """Closed, its shaft stands still; ``hold_W`` keeps it closed."""

    name: str
    shaft: str
    hold_W: float


@dataclass(frozen=True, slots=True)
class Shifter:
    """A dog shifter: ``positions`` are (position name, shaft joined to the hub); neutral, if any, first with None."""

    name: str
    hub: str
    positions: tuple[tuple[str, str | None], ...]
    hold_W: float


@dataclass(frozen=True, slots=True)
class Axle:
    """A driven axle and the shaft that turns with its wheels."""

    name: str
    shaft: str


@dataclass(frozen=True, slots=True)
class ShaftProperties:
    """What a shaft brings of its own: inertia [kg m2] and highest speed [rad/s], None when unlimited."""

    inertia_kgm2: float
    max_rad_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """A hybrid transmission with its vehicle, engine, machines and battery.

    shafts : every shaft, in order of appearance in the file
    at_most_one : groups of actuators ('K1', 'S1') or positions ('S1=first') of which one at most is engaged
    forbid : ids of configurations never to be used
    shift_price_g, start_price_g : optional prices of a change and of an engine start [g of fuel]
    digest : sha256 of everything that determines results; names for people, comments and paths left out
    """

    name: str
    title: str
    summary: str
    path: Path | None
    vehicle: Vehicle
    battery: Battery
    engine: EngineUse
    machines: tuple[MachineUse, ...]
    shafts: tuple[str, ...]
    gears: tuple[Gear, ...]
    planetary_sets: tuple[PlanetarySet, ...]
    clutches: tuple[Clutch, ...]
    brakes: tuple[Brake, ...]
    shifters: tuple[Shifter, ...]
    axles: tuple[Axle, ...]
    shaft_properties: dict[str, ShaftProperties]
    at_most_one: tuple[tuple[str, ...], ...]
    forbid: tuple[str, ...]
    shift_price_g: float
    start_price_g: float
    digest: str
