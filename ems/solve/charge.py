"""States of charge at both ends of a trip, as a user writes them: ``START:END``."""

from __future__ import annotations

from ems.components.battery import Battery
from ems.errors import Mistakes

CHARGE_FORM = "START:END, two states of charge from 0 to 1, as 0.7:0.5"


def parse_charge(word: str, where: str, mistakes: Mistakes, *, key: str = "") -> tuple[float, float] | None:
    """START:END as two numbers, or None with what is wrong among the mistakes, told at ``where`` and ``key``."""
    parts = word.split(":")
    try:
        values = [float(p) for p in parts]
    except ValueError:
        values = []
    if len(values) != 2:
        mistakes.add(where, key, f"'{word}'", CHARGE_FORM)
        return None
    outside = [(name, text, value) for name, text, value in zip(("start", "end"), parts, values, strict=True)
               if not 0.0 <= value <= 1.0]
    for name, text, value in outside:
        hint = f" (if percent is meant: {value / 100:g})" if 1.0 < value <= 100.0 else ""
        mistakes.add(where, key or name, text.strip(), f"a state of charge from 0 to 1{hint}")
    return None if outside else (values[0], values[1])


def check_window(charge: tuple[float, float], battery: Battery, where: str, mistakes: Mistakes, *, key: str = "") -> None:
    """Both states of charge must lie in the battery's usable window."""
    for name, value in zip(("start", "end"), charge, strict=True):
        if not battery.soc_low <= value <= battery.soc_high:
            mistakes.add(where, key or name, f"{value:g}",
                         f"a state of charge in the window of battery {battery.name}, {battery.soc_low:g} to "
                         f"{battery.soc_high:g} (--set changes it: battery.soc_low, battery.soc_high)")


def charge_of(battery: Battery, charge: tuple[float, float] | None) -> tuple[float, float]:
    """State of charge at start and end, the battery's target for both when None.

    Raises ``InputError`` for one outside the window.
    """
    mistakes = Mistakes()
    wanted = charge or (battery.soc_target, battery.soc_target)
    check_window(wanted, battery, "--charge", mistakes)
    mistakes.raise_if_any()
    return wanted
