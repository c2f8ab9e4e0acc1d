"""Colours and hatches: told apart by people with any colour vision, and on paper without colour.

The colours are those of Okabe and Ito, Color Universal Design (2008), some lightened; every mode has a hatch besides.
"""

from __future__ import annotations

from dataclasses import dataclass

from ems.plant import modes

INK, QUIET = "#333333", "#c9ccd1"
ENGINE, BATTERY, BRAKES, CHARGE = "#d55e00", "#009e73", "#7f7f7f", "#009e73"
MACHINES = ("#0072b2", "#56b4e9", "#cc79a7", "#e69f00")


@dataclass(frozen=True, slots=True)
class Style:
    """How a mode is drawn: face colour, hatch, and the colour of the hatch."""

    colour: str
    hatch: str
    edge: str = "#ffffff"


MODES: dict[str, Style] = {
    modes.STANDSTILL: Style("#eceef1", ""),
    modes.STANDSTILL_CHARGING: Style("#eceef1", "....", INK),
    modes.ELECTRIC_ONE: Style("#56b4e9", ""),
    modes.ELECTRIC_MANY: Style("#0072b2", "||||"),
    modes.REGENERATION_ONE: Style("#8fd6bf", "////", INK),
    modes.REGENERATION_MANY: Style("#009e73", "////"),
    modes.SERIES: Style("#f0e442", "----", INK),
    modes.POWER_SPLIT: Style("#cc79a7", "xxxx"),
    modes.FRICTION: Style("#7f7f7f", "++++"),
    modes.COASTING: Style("#ffffff", "|||", INK),
}
IN_GEARS: dict[str, Style] = {
    # with ", gear n" behind; the longer the gear, the lighter
    modes.ENGINE_ALONE: Style("#d55e00", "///"),
    modes.BOOST: Style("#8c2d04", "\\\\\\\\"),
    modes.CHARGING: Style("#e69f00", "...", INK),
}
UNKNOWN = Style("#b2abd2", "oo", INK)
LIGHTER = 0.28    # towards white, a gear


def mode_style(label: str) -> Style:
    """The style of a mode label, the same in every figure."""
    family, _, gear = label.partition(", gear ")
    if gear.isdigit() and family in IN_GEARS:
        base = IN_GEARS[family]
        return Style(_lighter(base.colour, 1.0 - (1.0 - LIGHTER) ** (int(gear) - 1)), base.hatch, base.edge)
    return MODES.get(label, UNKNOWN)


def _lighter(colour: str, share: float) -> str:
    """A colour moved towards white."""
    parts = (int(colour[i:i + 2], 16) for i in (1, 3, 5))
    return "#" + "".join(f"{round(p + share * (255 - p)):02x}" for p in parts)
