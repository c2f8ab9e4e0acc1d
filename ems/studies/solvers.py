"""What a study can solve for each case: one table, into which a new kind of solution is one more entry.

A solver takes a layout, a cycle and how to solve, and gives columns of a table. It is imported where it runs, in a worker.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ems.studies.how import How

if TYPE_CHECKING:
    import pandas as pd

    from ems.layout.model import Layout
    from ems.trips.cycle import Cycle


@dataclass(frozen=True, slots=True)
class Solved:
    """What a solver found: its columns, and the trip second by second if it has one and it was asked for."""

    outputs: dict[str, Any]
    trace: Callable[[], pd.DataFrame] | None = None


_OPTIMUM_USES = ("kernels", "components", "layout", "trips", "configurations", "plant", "tables", "solve")


@dataclass(frozen=True, slots=True)
class Solver:
    """One thing that can be solved.

    place : ``module:function`` that takes (layout, cycle, how) and returns ``Solved``
    columns : those it always gives; those of a table read ``group.name``      groups : tables whose names depend on the layout
    kept : those kept when the study does not say          uses : folders of ems whose code and data determine its numbers
    warm_up : ``module:function`` that compiles its kernels, or loads them; empty when it has none
    heeds : options that it is solved with      refuses : options it knows nothing of, so that it cannot stand beside others that do
    """

    place: str
    columns: tuple[str, ...]
    groups: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    uses: tuple[str, ...] = _OPTIMUM_USES
    warm_up: str = "ems.solve.warm_up:warm_up"
    heeds: tuple[str, ...] = ("charge", "grid", "lanes")
    refuses: tuple[str, ...] = ()

    def gives(self, column: str) -> bool:
        """Whether a column, or a whole group, is among what this solver gives."""
        return column in self.columns or column.partition(".")[0] in self.groups or any(c.startswith(f"{column}.") for c in self.columns)

    def __call__(self, layout: Layout, cycle: Cycle, how: How) -> Solved:
        solved: Solved = _at(self.place)(layout, cycle, how)
        return solved

    def prepare(self) -> None:
        """Compile its kernels, or load them."""
        if self.warm_up:
            _at(self.warm_up)()


def _at(place: str) -> Callable[..., Any]:
    """The function that ``module:function`` names."""
    module, _, name = place.partition(":")
    function: Callable[..., Any] = getattr(importlib.import_module(module), name)
    return function


_OPTIMUM_KEPT = (
    "fuel_l_per_100km", "co2_g_per_km", "fuel_g", "price_g", "objective_g", "lower_bound_g", "gap_percent", "table_error_percent",
    "floor_l_per_100km", "distance_km", "duration_s", "soc_start", "soc_end", "surplus_J", "costate", "engine_starts",
    "configuration_changes", "energy_residual_percent",
)

_TRIP = ("fuel_l_per_100km", "equal_charge_l_per_100km", "gap_percent", "soc_end", "engine_starts", "configuration_changes", "corrections")
_ABLE = ("time_0_50_s", "time_0_100_s", "time_80_120_s", "top_speed_kmh", "lasting_top_speed_kmh", "start_grade_percent", "most_power_kW",
         "lasting_power_kW", "full_power_s")
_LIMITS_OF_CHANGES = ("dwell", "engine_on", "engine_off", "cold")


def _driven(group: str, *heeds: str) -> Solver:
    """The solver of a strategy: the trip it drives, held against the optimum."""
    columns = tuple(f"{group}.{name}" for name in _TRIP)
    return Solver(f"ems.studies.solve_strategy:solve_{group}", columns, (), (group,),
                  (*_OPTIMUM_USES, "strategies", "judge", "shipped/calibrations"), "ems.studies.solve_strategy:warm_up",
                  ("charge", "grid", "lanes", "gap", *heeds), _LIMITS_OF_CHANGES)


SOLVERS: dict[str, Solver] = {
    "optimum": Solver("ems.studies.solve_optimum:solve_optimum", _OPTIMUM_KEPT, ("time_share", "losses_kJ", "stores_kJ"), _OPTIMUM_KEPT,
                      heeds=("charge", "grid", "lanes", "gap", *_LIMITS_OF_CHANGES)),
    "ecms": _driven("ecms"),
    "strategy": _driven("strategy", "strategy"),
    "capability": Solver("ems.studies.solve_capability:solve_capability",
                         tuple(f"capability.{name}" for name in (*_ABLE, *(f"low.{name}" for name in _ABLE))), (), ("capability",),
                         (*_OPTIMUM_USES, "judge"), "ems.studies.solve_capability:warm_up", ("grip",)),
    "sensitivity": Solver("ems.studies.solve_sensitivity:solve_sensitivity", (), ("sensitivity",), ("sensitivity",),
                          (*_OPTIMUM_USES, "judge"), heeds=("charge", "grid", "lanes", "quantities", "costate_only"),
                          refuses=(*_LIMITS_OF_CHANGES, "gap")),
}
"""name in a study file -> solver; the order in which they are told"""


def gives(solve: tuple[str, ...], column: str) -> bool:
    """Whether any of the solvers gives a column."""
    return any(SOLVERS[name].gives(column) for name in solve)


def kept_columns(solve: tuple[str, ...], asked: tuple[str, ...]) -> tuple[str, ...]:
    """The columns to keep: those asked for, or each solver's own choice."""
    return asked or tuple(dict.fromkeys(c for name in solve for c in SOLVERS[name].kept))


def flat(outputs: Mapping[str, Any]) -> dict[str, Any]:
    """Tables in the outputs spread into ``group.name`` columns."""
    spread: dict[str, Any] = {}
    for name, value in outputs.items():
        spread |= {f"{name}.{key}": v for key, v in value.items()} if isinstance(value, Mapping) else {name: value}
    return spread


def wanted(outputs: Mapping[str, Any], columns: tuple[str, ...]) -> dict[str, Any]:
    """The outputs of the columns asked for, a group giving all of its own; in the order asked."""
    chosen: dict[str, Any] = {}
    for column in columns:
        chosen |= {name: value for name, value in outputs.items() if name == column or name.startswith(f"{column}.")}
    return chosen
