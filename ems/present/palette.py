"""Colours and hatches: told apart by people with any colour vision, and on paper without colour.

The colours are those of Okabe and Ito, Color Universal Design (2008); every mode has a hatch of its own besides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

INK, QUIET = "#333333", "#c9ccd1"
ENGINE, BATTERY, BRAKES, CHARGE = "#d55e00", "#009e73", "#7f7f7f", "#009e73"
MACHINES = ("#0072b2", "#56b4e9", "#cc79a7", "#e69f00")


@dataclass(frozen=True, slots=True)
class Style:
    """How a mode is drawn."""

    colour: str
    hatch: str
    edge: str = "#ffffff"


OTHERS = (Style("#cc79a7", "xx"), Style("#f0e442", "++", INK), Style("#9ad0f5", "oo", INK), Style("#8c510a", "||"),
          Style("#b2abd2", "--", INK), Style("#7f7f7f", "**"))
MODES: dict[str, Style] = {}


def mode_styles(labels: Iterable[str]) -> dict[str, Style]:
    """A style for each label present, the same in every figure for the labels of the closed list."""
    present = dict.fromkeys(labels)
    unknown = sorted(label for label in present if label not in MODES)
    extra = {label: OTHERS[i % len(OTHERS)] for i, label in enumerate(unknown)}
    return {label: MODES.get(label) or extra[label] for label in (*(m for m in MODES if m in present), *unknown)}
