"""The layout file as pydantic models: every key with its unit, bounds and meaning.

The table of keys (``ems layouts --keys``), the documentation and the checks of one value all derive from this file.
What needs more than one value (names, joins, reachability) is checked in ``checks.py``.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StrictBool, model_validator
from pydantic_core import PydanticCustomError

from ems.inputfile import Number, quantity
from ems.layout.values import Component, Name, Pair, Ratio, SetRatio, Some, Teeth, Word

MESH_EFFICIENCY = 0.985
"""Share of the power that a pair of ground helical gears passes on, bearings included, unless the file says more."""

GROUND = "ground"
"""Kept for the housing, to which a one-way clutch may join a shaft."""

SET_EFFICIENCY = 0.98
"""Share of the rolling power that a planetary set passes on (two meshes in series), unless the file says more."""


class Table(BaseModel):
    """One table of the file; unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _one_of_ratio_and_teeth(table: Any) -> None:
    if (table.ratio is None) == (table.teeth is None):
        expected = "one of ratio and teeth" if table.ratio is None else "ratio or teeth, not both"
        raise PydanticCustomError("ratio_or_teeth", "{expected}", {"expected": expected})


def _mass() -> Any:
    return quantity("mass; adds to the vehicle's beyond masses.reference_kg", "kg", default=0.0, ge=0, le=5000)


def _time(what: str) -> Any:
    return quantity(what, "s", default=0.0, ge=0, le=10)


def _hold() -> Any:
    return quantity("power that keeps it engaged", "W", default=0.0, ge=0, le=10_000)


def _capacity(what: str) -> Any:
    return quantity(f"{what}; without it as much as is wanted", "N m", default=None, gt=0, le=100_000)


def _drag(what: str) -> Any:
    return quantity(what, "N m", default=0.0, ge=0, le=1000)


def _limit(what: str) -> Any:
    return quantity(what, "rpm", default=None, gt=0, le=200_000)


class EngineTable(Table):
    """The combustion engine."""

    shaft: Name = quantity("shaft that the engine turns", "-")
    map: Component = quantity("engine map: short name, path, or table (based_on = ..., and what differs)", "-")
    started_by: Name | None = quantity(
        "machine that cranks the engine; without it the engine's own starter", "-", default=None
    )
    rating_kW: Number | None = quantity(
        "rated power the map is scaled to; without it the map as it is", "kW", default=None, gt=0, le=2000
    )
    fuel_cut: StrictBool = quantity(
        "whether it may be turned without fuel, by the wheels or by a machine: overrun, bump start", "-", default=False
    )
    mass_kg: Number = _mass()


class MachineTable(Table):
    """An electric machine with its inverter."""

    shaft: Name = quantity("shaft that the machine turns", "-")
    map: Component = quantity("machine map: short name, path, or table (based_on = ..., and what differs)", "-")
    rating_kW: Number | None = quantity(
        "peak power the map is scaled to; without it the map as it is", "kW", default=None, gt=0, le=2000
    )
    drives: StrictBool = quantity(
        "whether it may drive; false: it only makes electricity, as an alternator does", "-", default=True
    )
    mass_kg: Number = _mass()


class GearTable(Table):
    """A pair of gears in constant mesh, a chain or a belt: speed(from) = ratio speed(to)."""

    from_shaft: Name = quantity("shaft of the first wheel", "-", alias="from")
    to_shaft: Name = quantity("shaft of the second wheel", "-", alias="to")
    ratio: Ratio | None = quantity(
        "speed(from) / speed(to), exact as written; negative when the direction turns round", "-", default=None
    )
    teeth: Annotated[list[Teeth], Pair] | None = quantity(
        "[teeth of from, teeth of to] instead of ratio; the ratio is to / from, positive", "-", default=None
    )
    efficiency: Number = quantity("share of the power passed on by the mesh", "-", default=MESH_EFFICIENCY, gt=0, le=1)
    capacity_Nm: Number | None = _capacity("most torque at the wheel that capacity_at names, either direction")
    capacity_at: Literal["from", "to"] = quantity("wheel at which capacity_Nm is meant", "-", default="from")
    mass_kg: Number = _mass()

    @model_validator(mode="after")
    def _ratio_or_teeth(self) -> Self:
        _one_of_ratio_and_teeth(self)
        return self

    def exact_ratio(self) -> Fraction:
        """speed(from) / speed(to)."""
        return Fraction(self.teeth[1], self.teeth[0]) if self.teeth else self.ratio or Fraction(1)


class TeethTable(Table):
    """Tooth counts of a planetary set."""

    sun: Teeth = quantity("teeth of the sun", "-")
    ring: Teeth = quantity("teeth of the ring, more than the sun's", "-")

    @model_validator(mode="after")
    def _ring_outside(self) -> Self:
        if self.ring <= self.sun:
            text = "a ring with more teeth than the sun, not {ring} around {sun}"
            raise PydanticCustomError("teeth", text, {"ring": self.ring, "sun": self.sun})
        return self


class PlanetarySetTable(Table):
    """A planetary set: speed(sun) + ratio speed(ring) = (1 + ratio) speed(carrier) (Willis)."""

    sun: Name = quantity("shaft of the sun", "-")
    ring: Name = quantity("shaft of the ring", "-")
    carrier: Name = quantity("shaft of the carrier", "-")
    ratio: SetRatio | None = quantity(
        "ring teeth / sun teeth, exact as written; negative: double pinion", "-", default=None
    )
    teeth: TeethTable | None = quantity("tooth counts { sun, ring } instead of ratio", "-", default=None)
    efficiency: Number = quantity("share of the rolling power passed on", "-", default=SET_EFFICIENCY, gt=0, le=1)
    capacity_Nm: Number | None = _capacity("most torque at the member that capacity_at names, either direction")
    capacity_at: Literal["sun", "ring", "carrier"] = quantity(
        "member at which capacity_Nm is meant", "-", default="sun"
    )
    max_pinion_rpm: Number | None = _limit("highest speed of the pinions on their pins, that is relative to the carrier")
    pinion_ratio: Ratio | None = quantity(
        "sun teeth / pinion teeth, for max_pinion_rpm; without it 2 / (ratio - 1), as single pinions have", "-",
        default=None,
    )
    mass_kg: Number = _mass()

    @model_validator(mode="after")
    def _ratio_or_teeth(self) -> Self:
        _one_of_ratio_and_teeth(self)
        if self.max_pinion_rpm is not None and self.pinion_ratio is None and self.exact_ratio() <= 1:
            raise PydanticCustomError("pinions", "pinion_ratio beside max_pinion_rpm: with a ratio of {ratio} the "
                                      "pinions' teeth do not follow", {"ratio": str(self.exact_ratio())})
        return self

    def exact_pinion_ratio(self) -> Fraction:
        """Speed of the pinions on their pins over speed of the sun relative to the carrier, in size."""
        if self.pinion_ratio is not None:
            return abs(self.pinion_ratio)
        ratio = self.exact_ratio()
        return 2 / (ratio - 1) if ratio > 1 else Fraction(1)

    def exact_ratio(self) -> Fraction:
        """Ring teeth over sun teeth."""
        return Fraction(self.teeth.ring, self.teeth.sun) if self.teeth else self.ratio or Fraction(1)


class ClutchTable(Table):
    """A clutch: closed, its two shafts turn together."""

    joins: Annotated[list[Name], Pair] = quantity("the two shafts it joins", "-")
    slips: StrictBool = quantity(
        "whether it can also slip while it carries torque, so that the engine can launch the car", "-", default=False
    )
    capacity_Nm: Number | None = _capacity("most torque it carries, closed or slipping")
    max_slip_rpm: Number | None = _limit("largest difference of speed between its sides, open or slipping")
    drag_Nm: Number = _drag("torque between its sides while it is open and they differ in speed")
    engagement_s: Number = _time("time to close or open it")
    hold_W: Number = _hold()
    mass_kg: Number = _mass()


class BrakeTable(Table):
    """A brake: closed, its shaft stands still."""

    holds: Name = quantity("shaft that it holds", "-")
    capacity_Nm: Number | None = _capacity("most torque it holds")
    drag_Nm: Number = _drag("torque on its shaft while it is open and the shaft turns")
    engagement_s: Number = _time("time to close or open it")
    hold_W: Number = _hold()
    mass_kg: Number = _mass()


class OneWayTable(Table):
    """A one-way clutch: 'from' never turns faster than 'to'; locked, it passes torque from 'from' to 'to' only."""

    from_shaft: Name = quantity("shaft that drives through it, or 'ground'", "-", alias="from")
    to_shaft: Name = quantity("shaft that may turn faster, or 'ground'", "-", alias="to")
    capacity_Nm: Number | None = _capacity("most torque it carries")
    drag_Nm: Number = _drag("torque between its sides while it overruns")
    mass_kg: Number = _mass()

    @model_validator(mode="after")
    def _not_ground_to_ground(self) -> Self:
        if self.from_shaft.lower() == self.to_shaft.lower() == GROUND:
            raise PydanticCustomError("ground", "a shaft on one side at least; 'ground' is the housing")
        return self


class ShifterTable(Table):
    """A dog shifter: joins its hub to one of several shafts, or to none."""

    hub: Name = quantity("shaft of the sliding sleeve", "-")
    positions: Annotated[dict[Name, Name], Some] = quantity(
        "shaft that each named position joins to the hub", "-"
    )
    neutral: StrictBool = quantity("whether it also has a position that joins nothing", "-", default=True)
    engagement_s: Number = _time("time of one change of its position")
    hold_W: Number = _hold()
    mass_kg: Number = _mass()

    @model_validator(mode="after")
    def _neutral_is_taken(self) -> Self:
        if self.neutral and any(name.lower() == "neutral" for name in self.positions):
            raise PydanticCustomError("positions", "positions other than 'neutral', which it has anyway")
        return self


class AxleTable(Table):
    """A driven axle; several axles are coupled by the road."""

    shaft: Name = quantity("shaft that turns with the wheels of this axle", "-")


class ShaftTable(Table):
    """What a shaft brings of its own, gears included, engine and machines left out."""

    inertia_kgm2: Number = quantity(
        "moment of inertia of the shaft and what is fixed to it", "kg m2", default=0.0, ge=0, le=100
    )
    max_rpm: Number | None = _limit("highest speed allowed, either direction")
    drag_Nm: Number = _drag("splash and bearing torque at any speed")
    drag_Nms_rad: Number = quantity("splash torque that grows with speed", "N m s/rad", default=0.0, ge=0, le=10)


class PumpTable(Table):
    """Electrical power of the transmission's pumps."""

    engine_stopped_W: Number = quantity("power while the engine stands", "W", default=0.0, ge=0, le=10_000)
    engine_running_W: Number = quantity("power while the engine turns", "W", default=0.0, ge=0, le=10_000)


class MassesTable(Table):
    """Masses beside those of the elements, and what the vehicle's mass contains already."""

    reference_kg: Number = quantity(
        "mass of such parts that the vehicle's mass_kg contains already", "kg", default=0.0, ge=0, le=5000
    )
    battery_kg: Number = quantity("mass of the battery", "kg", default=0.0, ge=0, le=5000)
    other_kg: Number = quantity("mass of housing, oil and whatever has no key of its own", "kg", default=0.0, ge=0,
                                le=5000)


class PricesTable(Table):
    """What a change is worth to whoever feels it; reported apart from fuel."""

    shift_g: Number = quantity(
        "fuel that avoiding one change of configuration is worth", "g", default=0.0, ge=0, le=100
    )
    start_g: Number = quantity("fuel that avoiding one engine start is worth", "g", default=0.0, ge=0, le=100)


class DrawingTable(Table):
    """The drawing's own order, where the one that is found does not please; nothing of it enters a result."""

    rows: list[Name] = quantity("one shaft of each axis, from top to bottom; further axes follow", "-", default_factory=list)
    items: list[Word] = quantity("elements from left to right, by name or dotted key ('K1', 'gears.first')", "-", default_factory=list)


class LayoutFile(Table):
    """A whole layout file."""

    name: Word = quantity("name of the layout in one line", "-")
    summary: str = quantity("what it is, in a sentence or two", "-", default="")
    based_on: Word | None = quantity(
        "layout (short name or path) that gives whatever this file does not say", "-", default=None
    )
    without: list[Word] = quantity(
        "dotted keys of that layout to leave out, such as 'clutches.K4'", "-", default_factory=list
    )
    vehicle: Component = quantity("vehicle: short name, path, or table (based_on = ..., and what differs)", "-")
    battery: Component = quantity("battery: short name, path, or table (based_on = ..., and what differs)", "-")
    engine: EngineTable = quantity("the engine", "-")
    machines: dict[Name, MachineTable] = quantity("the electric machines by name", "-", default_factory=dict)
    gears: dict[Name, GearTable] = quantity("the gear pairs by name", "-", default_factory=dict)
    planetary_sets: dict[Name, PlanetarySetTable] = quantity("the planetary sets by name", "-", default_factory=dict)
    clutches: dict[Name, ClutchTable] = quantity("the clutches by name", "-", default_factory=dict)
    brakes: dict[Name, BrakeTable] = quantity("the brakes by name", "-", default_factory=dict)
    one_way: dict[Name, OneWayTable] = quantity("the one-way clutches by name", "-", default_factory=dict)
    shifters: dict[Name, ShifterTable] = quantity("the dog shifters by name", "-", default_factory=dict)
    axles: Annotated[dict[Name, AxleTable], Some] = quantity("the driven axles by name", "-")
    shafts: dict[Name, ShaftTable] = quantity("properties of shafts by name", "-", default_factory=dict)
    pump: PumpTable = quantity("power of the transmission's pumps", "-", default_factory=PumpTable)
    masses: MassesTable = quantity("what adds to the vehicle's mass", "-", default_factory=MassesTable)
    at_most_one: list[Annotated[list[Word], Field(min_length=2)]] = quantity(
        "groups of clutches, brakes and shifters ('S1', or one position 'S1=first'), one engaged at most", "-",
        default_factory=list,
    )
    forbid: list[Word] = quantity(
        "ids of configurations (see ems modes) never to be used; * stands for anything, as in 'cut:*'; an equivalent's id "
        "rules out that equivalent only", "-",
        default_factory=list,
    )
    prices: PricesTable = quantity("what changes are worth", "-", default_factory=PricesTable)
    drawing: DrawingTable = quantity("order of the drawing", "-", default_factory=DrawingTable)
