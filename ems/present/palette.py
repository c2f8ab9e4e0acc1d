"""Colours and hatches: told apart by people with any colour vision, and on paper without colour.

The colours are those of Okabe and Ito, Color Universal Design (2008), some lightened; every mode has a hatch besides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

INK, QUIET = "#333333", "#c9ccd1"
ENGINE, BATTERY, BRAKES, CHARGE = "#d55e00", "#009e73", "#7f7f7f", "#009e73"
MACHINES = ("#0072b2", "#56b4e9", "#cc79a7", "#e69f00")


@dataclass(frozen=True, slots=True)
class Style:
    """How a mode is drawn: face colour, hatch, and the colour of the hatch."""

    colour: str
    hatch: str
    edge: str = "#ffffff"


OTHERS = (Style("#cc79a7", "xx"), Style("#f7f0a0", "++", INK), Style("#7f5539", "||"), Style("#b2abd2", "--", INK),
          Style("#a6761d", "oo"), Style("#4d4d4d", "**"))
MODES: dict[str, Style] = {
    "standstill": Style("#e4e6ea", ""),
    "electric": Style("#56b4e9", ""),
    "regeneration": Style("#7fcfb5", "////"),
    "engine only": Style("#d55e00", ""),
    "boost": Style("#7a2e00", "\\\\\\\\"),
    "load shift": Style("#f0a35e", "...", INK),
    "series": Style("#f0e442", "----", INK),
    "power split": Style("#cc79a7", "xxxx"),
}


def mode_styles(labels: Iterable[str]) -> dict[str, Style]:
    """A style for each label present, the same in every figure for the labels of the closed list."""
    present = dict.fromkeys(labels)
    unknown = sorted(label for label in present if label not in MODES)
    extra = {label: OTHERS[i % len(OTHERS)] for i, label in enumerate(unknown)}
    return {**{label: style for label, style in MODES.items() if label in present}, **extra}
