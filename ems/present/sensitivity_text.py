"""What one per cent of each quantity changes, as a person reads it and as a figure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.text import columns

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from rich.console import RenderableType

    from ems.judge.sensitivity import Row, Sensitivity


def sensitivity_text(result: Sensitivity) -> list[RenderableType]:
    """Everything ``ems sensitivity`` prints."""
    from rich.text import Text

    head = Text.assemble("What one per cent more of each quantity changes: ", (result.base.layout.name, "bold"), " on ",
                         (result.base.cycle.name, "bold"), f", {result.fuel.value:.3f} l/100 km")
    solved = any(row.per_percent for row in result.rows)
    headings = ("quantity", "now", *(("ml/100 km", "bar", "% of fuel", "step %", "") if solved else ()), "by costate ml", "")
    rows = [(row.quantity, row.value, *(_solved(row) if solved else ()), _milli(row.envelope_per_percent), _word(row))
            for row in result.rows]
    right = (False, False, *((True, True, True, True, False) if solved else ()), True, False)
    notes = ["by costate: slope of the certificate over the same step; the costate prices the battery and choices are free (envelope "
             "theorem)."]
    if solved:
        notes.insert(0, "Solved again at both sides with the step named; bar: certificate and tables of both; bent: the two sides differ.")
    if any(row.quantity.endswith("rating_kW") for row in result.rows):
        notes.append("rating_kW: torque, fuel or losses, inertia and drag in proportion; the car's mass stays.")
    if any(row.quantity == "vehicle.mass_kg" for row in result.rows):
        notes.append("vehicle.mass_kg: the mass alone; the tyres' part of the road load is vehicle.road_load_N.")
    return [head, "", columns(rows, right, headings), "", *notes, f"{NO_TYPE_APPROVAL} {assumptions()}"]


def _solved(row: Row) -> tuple[str, ...]:
    if row.per_percent is None or row.elasticity is None or row.step_percent is None:
        return ("-", "", "", "", "")
    word = "tie" if row.tie else ("bent" if row.bend is not None and abs(row.bend) > 0.25 else "")
    return (f"{1e3 * row.per_percent.value:+.2f}", f"±{1e3 * row.per_percent.half:.2f}", f"{row.elasticity.value:+.3f}",
            f"{row.step_percent:g}", word)


def _milli(value: float | None) -> str:
    return "-" if value is None else f"{1e3 * value:+.2f}"


def _word(row: Row) -> str:
    if row.agrees is None:
        return row.why
    return "" if row.agrees else "does not agree"


def plot_sensitivity(result: Sensitivity, ax: Axes | None = None) -> Axes:
    """Bars of the change for one per cent more, error bars, and the costate's derivative as a stroke."""
    from ems.present.axes import listed, new_axes
    from ems.present.palette import ENGINE, INK, MACHINES, QUIET

    ax = ax or new_axes(_height(result), 8.5)
    for i, row in enumerate(result.rows):
        value = row.per_percent.value if row.per_percent else row.envelope_per_percent
        if value is None:
            continue
        ax.barh(i, 1e3 * value, color=QUIET if row.tie else (ENGINE if value > 0 else MACHINES[0]), height=0.62)
        if row.per_percent:
            ax.errorbar(1e3 * value, i, xerr=1e3 * row.per_percent.half, color=INK, capsize=2.5, linewidth=1.0)
        if row.envelope_per_percent is not None:
            ax.plot([1e3 * row.envelope_per_percent] * 2, [i - 0.38, i + 0.38], color=INK, linewidth=1.8)
    ax.axvline(0.0, color=INK, linewidth=0.8)
    listed(ax, [row.quantity for row in result.rows],
           "ml/100 km for one per cent more; grey: a tie; upright stroke: derivative from the costate",
           f"{result.base.layout.name} on {result.base.cycle.name}")
    return ax


def _height(result: Sensitivity) -> float:
    return 0.8 + 0.3 * len(result.rows)


def save_sensitivity_figure(result: Sensitivity, path: Path) -> None:
    """The figure as a file."""
    from ems.present.axes import save_axes

    save_axes(path, 8.5, _height(result), lambda ax: plot_sensitivity(result, ax))
