"""The layout file as pydantic models: every key with its unit, bounds and meaning.

The table of keys (``ems layouts --keys``), the documentation and the checks of one value all derive from this file.
What needs more than one value (names, joins, reachability) is checked in ``checks.py``.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Annotated, Any, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    StrictBool,
    model_validator,
)
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError

from ems.inputfile import Number, quantity

MESH_EFFICIENCY = 0.985
"""Share of the power that a pair of ground helical gears passes on, bearings included, unless the file says more."""

SET_EFFICIENCY = 0.98
"""Share of the rolling power that a planetary set passes on (two meshes in series), unless the file says more."""

MINIMUM_TEETH = 5
LARGEST_RATIO = 200
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]*")
QUOTIENT = re.compile(r"[+-]?\d{1,15}(\.\d{0,15})?([eE][+-]?\d)?|[+-]?\d{1,9}/0*[1-9]\d{0,8}")


def unit_of(field: FieldInfo) -> str:
    """The unit a field was declared with."""
    extra = field.json_schema_extra
    return str(extra["unit"]) if isinstance(extra, dict) else "-"


def exact(value: object) -> Fraction:
    """A ratio exactly as it was written: 0.45 is 9/20, "78/30" is 13/5.

    Raises ``PydanticCustomError`` for anything that is not a number of a size that gears have.
    """
    text = value.strip() if isinstance(value, str) else repr(value) if isinstance(value, float) else str(value)
    if isinstance(value, bool) or not QUOTIENT.fullmatch(text):
        raise PydanticCustomError("ratio", 'a number, or a quotient as text such as "78/30"')
    ratio = Fraction(text)
    if not Fraction(1, LARGEST_RATIO) <= abs(ratio) <= LARGEST_RATIO:
        limits = f"{1 / LARGEST_RATIO:g} to {LARGEST_RATIO} in size"
        raise PydanticCustomError("ratio", "a ratio of {limits}", {"limits": limits})
    return ratio


def _set_ratio(value: Fraction) -> Fraction:
    if value == -1:
        raise PydanticCustomError("ratio", "a ratio other than -1, with which the carrier would be free of the rest")
    return value


def _name(value: str) -> str:
    if not NAME.fullmatch(value):
        raise PydanticCustomError("name", "a name of letters, digits, '-' and '_'")
    return value


def _whole(value: object) -> object:
    if isinstance(value, int) and not isinstance(value, bool) and value >= MINIMUM_TEETH:
        return value
    raise PydanticCustomError("teeth", "a tooth count: a whole number of at least {least}", {"least": MINIMUM_TEETH})


IS_NAME = AfterValidator(_name)
"""Marks a name of the user's: a shaft, a machine, an actuator."""

Name = Annotated[str, IS_NAME]


def _pair(value: list[Any]) -> list[Any]:
    if len(value) != 2:
        raise PydanticCustomError("pair", "two of them in brackets")
    return value


def _some(value: dict[str, Any]) -> dict[str, Any]:
    if not value:
        raise PydanticCustomError("some", "at least one")
    return value


Pair = AfterValidator(_pair)
Some = AfterValidator(_some)
Ratio = Annotated[Fraction, PlainValidator(exact)]
SetRatio = Annotated[Fraction, PlainValidator(exact), AfterValidator(_set_ratio)]
Teeth = Annotated[int, BeforeValidator(_whole)]
Word = Annotated[str, Field(min_length=1)]
Component = Word | dict[str, Any]
"""A component: short name, path, or a table; ``based_on`` in a table names the file that the other keys change."""


class Table(BaseModel):
    """One table of the file; unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def _one_of_ratio_and_teeth(table: Any) -> None:
    if (table.ratio is None) == (table.teeth is None):
        expected = "one of ratio and teeth" if table.ratio is None else "ratio or teeth, not both"
        raise PydanticCustomError("ratio_or_teeth", "{expected}", {"expected": expected})


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


class MachineTable(Table):
    """An electric machine with its inverter."""

    shaft: Name = quantity("shaft that the machine turns", "-")
    map: Component = quantity("machine map: short name, path, or table (based_on = ..., and what differs)", "-")
    rating_kW: Number | None = quantity(
        "peak power the map is scaled to; without it the map as it is", "kW", default=None, gt=0, le=2000
    )


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

    @model_validator(mode="after")
    def _ratio_or_teeth(self) -> Self:
        _one_of_ratio_and_teeth(self)
        return self

    def exact_ratio(self) -> Fraction:
        """Ring teeth over sun teeth."""
        return Fraction(self.teeth.ring, self.teeth.sun) if self.teeth else self.ratio or Fraction(1)


def _hold() -> Any:
    return quantity("power that keeps it engaged", "W", default=0.0, ge=0, le=10_000)


class ClutchTable(Table):
    """A clutch: closed, its two shafts turn together."""

    joins: Annotated[list[Name], Pair] = quantity("the two shafts it joins", "-")
    hold_W: Number = _hold()


class BrakeTable(Table):
    """A brake: closed, its shaft stands still."""

    holds: Name = quantity("shaft that it holds", "-")
    hold_W: Number = _hold()


class ShifterTable(Table):
    """A dog shifter: joins its hub to one of several shafts, or to none."""

    hub: Name = quantity("shaft of the sliding sleeve", "-")
    positions: Annotated[dict[Name, Name], Some] = quantity(
        "shaft that each named position joins to the hub", "-"
    )
    neutral: StrictBool = quantity("whether it also has a position that joins nothing", "-", default=True)
    hold_W: Number = _hold()

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
    max_rpm: Number | None = quantity("highest speed allowed, either direction", "rpm", default=None, gt=0, le=200_000)


class PricesTable(Table):
    """What a change is worth to whoever feels it; reported apart from fuel."""

    shift_g: Number = quantity(
        "fuel that avoiding one change of configuration is worth", "g", default=0.0, ge=0, le=100
    )
    start_g: Number = quantity("fuel that avoiding one engine start is worth", "g", default=0.0, ge=0, le=100)


class LayoutFile(Table):
    """A whole layout file."""

    name: Word = quantity("name of the layout in one line", "-")
    summary: str = quantity("what it is, in a sentence or two", "-", default="")
    vehicle: Component = quantity("vehicle: short name, path, or table (based_on = ..., and what differs)", "-")
    battery: Component = quantity("battery: short name, path, or table (based_on = ..., and what differs)", "-")
    engine: EngineTable = quantity("the engine", "-")
    machines: dict[Name, MachineTable] = quantity("the electric machines by name", "-", default_factory=dict)
    gears: dict[Name, GearTable] = quantity("the gear pairs by name", "-", default_factory=dict)
    planetary_sets: dict[Name, PlanetarySetTable] = quantity("the planetary sets by name", "-", default_factory=dict)
    clutches: dict[Name, ClutchTable] = quantity("the clutches by name", "-", default_factory=dict)
    brakes: dict[Name, BrakeTable] = quantity("the brakes by name", "-", default_factory=dict)
    shifters: dict[Name, ShifterTable] = quantity("the dog shifters by name", "-", default_factory=dict)
    axles: Annotated[dict[Name, AxleTable], Some] = quantity("the driven axles by name", "-")
    shafts: dict[Name, ShaftTable] = quantity("properties of shafts by name", "-", default_factory=dict)
    at_most_one: list[Annotated[list[Word], Field(min_length=2)]] = quantity(
        "groups of clutches, brakes and shifters ('S1', or one position 'S1=first'), one engaged at most", "-",
        default_factory=list,
    )
    forbid: list[Word] = quantity("ids of configurations (see ems modes) never to be used", "-", default_factory=list)
    prices: PricesTable = quantity("what changes are worth", "-", default_factory=PricesTable)
