"""How a case is solved: the one table of options that the commands and a study file share, and the call of the optimum with them.

It is read before a command says its help, so it imports nothing heavy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ems.kernels.frontier import Grid
    from ems.layout.model import Layout
    from ems.solve.optimum import Optimum
    from ems.trips.cycle import Cycle

STRATEGY_FORM = "rules, rules:FILE, ecms, ecms-adaptive or replay:FILE (no code: a study runs none)"


@dataclass(frozen=True, slots=True)
class Option:
    """One option.

    meaning : the help of the command      expected, fits : what may stand in a study, in words and as a test
    taken : a fitting value as it is used      metavar : its value in the help, empty for a flag      low, high : limits of a number
    """

    meaning: str
    expected: str
    fits: Callable[[Any], bool]
    taken: Callable[[Any], Any]
    metavar: str = ""
    low: float | None = None
    high: float | None = None


def is_number(value: object) -> bool:
    """Whether a value of a file is a finite number."""
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool) and Decimal(value).is_finite()


def _whole(meaning: str, low: int, high: int) -> Option:
    def fits(value: Any) -> bool:
        return is_number(value) and value == int(value) and low <= value <= high

    return Option(meaning, f"a whole number from {low} to {high}", fits, int, "N", low, high)


def _number(meaning: str, metavar: str, low: float, high: float) -> Option:
    def fits(value: Any) -> bool:
        return is_number(value) and low <= float(value) <= high

    return Option(meaning, f"a number from {low:g} to {high:g}", fits, float, metavar, low, high)


def _flag(meaning: str) -> Option:
    return Option(meaning, "true or false", lambda v: isinstance(v, bool), bool)


def _word(meaning: str, metavar: str, expected: str) -> Option:
    return Option(meaning, expected, lambda v: isinstance(v, str), str, metavar)


OPTIONS: dict[str, Option] = {
    "charge": _word("State of charge at both ends, as 0.7:0.5. Omitted: it ends where it starts, at the target.", "START:END",
                    "START:END, two states of charge from 0 to 1, as 0.7:0.5"),
    "grid": _whole("N times as many table points on every axis: slower, smaller table error.", 1, 16),
    "lanes": _whole("Lanes of engine speed where it is free of the wheels, so that changing it has its cost; 6 if omitted.", 1, 64),
    "dwell": _number("Least time in a configuration, to 6 s.", "S", 0, 6),
    "engine_on": _number("Least time the engine turns, to 20 s.", "S", 0, 20),
    "engine_off": _number("Least time it stands, to 20 s.", "S", 0, 20),
    "cold": _flag("The engine starts cold; the warm figure is solved first and shown beside it."),
    "gap": _number("Certified gap to come down to, with finer nodes and cells; where it cannot, the answer says so.", "PERCENT",
                   0.0001, 10),
    "strategy": _word("Strategy that is driven.", "STRATEGY", STRATEGY_FORM),
    "grip": _number("Coefficient of friction of the tyres; the vehicle's if omitted.", "MU", 0.05, 2),
    "quantities": Option("Quantities of a sensitivity, or their beginnings.", "a list of names, as [\"gears\", \"vehicle.mass_kg\"]",
                         lambda v: isinstance(v, list) and all(isinstance(name, str) for name in v), tuple, "NAMES"),
    "costate_only": _flag("Sensitivity by the costate alone."),
}
"""name of a key of a study, and of an option of the commands -> option"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Solving:
    """How an optimum is solved.

    grid : multiplies the points of the tables      lanes : of the free engine speed; None for the usual number
    dwell, engine_on, engine_off : least times [s]      cold : the engine starts cold
    gap : certified gap to come down to [%]; None for the usual
    """

    grid: int = 1
    lanes: int | None = None
    dwell: float = 0.0
    engine_on: float = 0.0
    engine_off: float = 0.0
    cold: bool = False
    gap: float | None = None

    def optimum(self, layout: Layout, cycle: Cycle, charge: tuple[float, float] | None, **more: Any) -> Optimum:
        """``ems.optimum`` with these options; ``more`` is handed on."""
        from ems.plant.counters import Waits
        from ems.plant.plant import LANES
        from ems.solve.optimum import optimum

        return optimum(layout, cycle, charge=charge, grid=grid_of(self.grid), lanes=self.lanes or LANES, cold=self.cold,
                       waits=Waits(self.dwell, self.engine_on, self.engine_off), gap_percent=self.gap, **more)


def grid_of(factor: int) -> Grid:
    """The default grid with so many times the points on every axis."""
    from ems.tables.build import DEFAULT_GRID, refined

    return DEFAULT_GRID if factor == 1 else refined(DEFAULT_GRID, factor)
