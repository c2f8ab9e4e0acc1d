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
    """The engine and the shaft it turns.

    started_by : machine that cranks it; None: its own starter
    fuel_cut   : it may be turned without fuel
    """

    shaft: str
    engine: Engine
    started_by: str | None
    fuel_cut: bool = False
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class MachineUse:
    """An electric machine and the shaft it turns; ``drives`` false: it only makes electricity."""

    name: str
    shaft: str
    machine: Machine
    drives: bool = True
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class Gear:
    """A pair in constant mesh: speed(from_shaft) = ratio speed(to_shaft), ratio signed and not zero.

    capacity_Nm : most torque on the shaft ``capacity_at``; None when unlimited
    """

    name: str
    from_shaft: str
    to_shaft: str
    ratio: Fraction
    efficiency: float
    capacity_Nm: float | None = None
    capacity_at: str = ""
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class PlanetarySet:
    """Willis: speed(sun) + ratio speed(ring) = (1 + ratio) speed(carrier); ratio = ring teeth / sun teeth.

    capacity_Nm : most torque on the shaft ``capacity_at``; None when unlimited
    pinion_ratio, max_pinion_rad_s : the pinions turn on their pins at pinion_ratio (sun - carrier) at most so fast
    """

    name: str
    sun: str
    ring: str
    carrier: str
    ratio: Fraction
    efficiency: float
    capacity_Nm: float | None = None
    capacity_at: str = ""
    pinion_ratio: Fraction = Fraction(1)
    max_pinion_rad_s: float | None = None
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class Clutch:
    """Closed, its two shafts turn together; ``hold_W`` keeps it closed.

    slips          : it can carry torque while its sides differ in speed
    capacity_Nm    : most torque, closed or slipping; None when unlimited
    max_slip_rad_s : largest difference of speed, open or slipping; None when unlimited
    drag_Nm        : torque between its sides while it is open
    engagement_s   : time of closing or opening
    """

    name: str
    first: str
    second: str
    hold_W: float
    slips: bool = False
    capacity_Nm: float | None = None
    max_slip_rad_s: float | None = None
    drag_Nm: float = 0.0
    engagement_s: float = 0.0
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class Brake:
    """Closed, its shaft stands still; ``hold_W`` keeps it closed. The rest as for a clutch to the housing."""

    name: str
    shaft: str
    hold_W: float
    capacity_Nm: float | None = None
    drag_Nm: float = 0.0
    engagement_s: float = 0.0
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class OneWay:
    """A one-way clutch: speed(from_shaft) <= speed(to_shaft); where they are equal it passes torque from the one to the
    other, never back. A shaft that is None is the housing. ``drag_Nm`` acts while it overruns."""

    name: str
    from_shaft: str | None
    to_shaft: str | None
    capacity_Nm: float | None = None
    drag_Nm: float = 0.0
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class Shifter:
    """A dog shifter: ``positions`` are (position name, shaft joined to the hub); neutral, if any, first with None."""

    name: str
    hub: str
    positions: tuple[tuple[str, str | None], ...]
    hold_W: float
    engagement_s: float = 0.0
    mass_kg: float = 0.0


@dataclass(frozen=True, slots=True)
class Axle:
    """A driven axle and the shaft that turns with its wheels."""

    name: str
    shaft: str


@dataclass(frozen=True, slots=True)
class ShaftProperties:
    """What a shaft brings of its own: inertia [kg m2], highest speed [rad/s] (None when unlimited), and drag: a torque
    against its motion of ``drag_Nm + drag_Nms_rad |speed|``."""

    inertia_kgm2: float
    max_rad_s: float | None
    drag_Nm: float = 0.0
    drag_Nms_rad: float = 0.0


@dataclass(frozen=True, slots=True)
class DrawingOrder:
    """A user's own order of the drawing, which overrides what is found.

    rows  : one shaft of each axis, from top to bottom        items : elements from left to right, 'first' or 'gears.first'
    """

    rows: tuple[str, ...] = ()
    items: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """A hybrid transmission with its vehicle, engine, machines and battery.

    vehicle : as laden: masses of parts beyond the reference are in its mass, see ``layout/masses.py``
    shafts : every shaft, in order of appearance in the file
    at_most_one : groups of actuators ('K1', 'S1') or positions ('S1=first') of which one at most is engaged
    forbid : ids of configurations never to be used; * stands for anything
    pump_stopped_W, pump_running_W : electrical power of the transmission's pumps while the engine stands, or turns
    parts_kg : masses by key: 'engine', 'battery', 'other', 'machines.mg1', ...; only those given
    reference_kg : mass of such parts that the vehicle's mass contained before
    shift_price_g, start_price_g : optional prices of a change and of an engine start [g of fuel]
    digest : sha256 of everything that determines results; names for people, comments, paths and the drawing left out
    files : every file it was read from: its own, those it is based on, its components'
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
    one_way: tuple[OneWay, ...]
    shifters: tuple[Shifter, ...]
    axles: tuple[Axle, ...]
    shaft_properties: dict[str, ShaftProperties]
    at_most_one: tuple[tuple[str, ...], ...]
    forbid: tuple[str, ...]
    pump_stopped_W: float
    pump_running_W: float
    parts_kg: dict[str, float]
    reference_kg: float
    shift_price_g: float
    start_price_g: float
    digest: str
    drawing: DrawingOrder = DrawingOrder()
    files: tuple[Path, ...] = ()
