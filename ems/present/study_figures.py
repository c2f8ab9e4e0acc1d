"""Figures of a study: a Pareto front among all cases, and a heat map over two varied keys.

Each function draws into ``ax`` when one is given and returns the axes.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.present.palette import ENGINE, INK, QUIET
from ems.quantities import unit_from_name
from ems.studies.results import Study

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import PathCollection, QuadMesh
    from matplotlib.figure import Figure

DOTS, BROKEN_DOTS = "#0072b2", "#7f7f7f"
NUMBERED = 12           # cases of a front that are numbered in the figure; a longer front would be unreadable
ON_LIGHT = "#1c1c1c"    # words on a light cell, on any page
WRITTEN_CELLS = 150     # cells of a heat map with their value in them


def label(column: str) -> str:
    """Name and unit of a column, as an axis says it."""
    name, at, cycle = column.partition("@")
    unit = unit_from_name(name)
    return f"{name} on {cycle}{'' if unit == '-' else f' [{unit}]'}" if at else column if unit == "-" else f"{name} [{unit}]"


def plot_pareto(study: Study, first: str, second: str, *, most: Sequence[str] = (), ax: Axes | None = None) -> Axes:
    """Every solved case by two columns, the front that none beats joined and numbered; cases that break a requirement are crosses."""
    ax = ax or broad()
    front = study.pareto(first, second, most=most).rows
    rows = [row for row in study.done if row[first] is not None and row[second] is not None]
    fit, unfit = [r for r in rows if r["meets"] is not False], [r for r in rows if r["meets"] is False]
    ax.scatter([r[first] for r in fit], [r[second] for r in fit], s=16, color=DOTS, alpha=0.45, linewidth=0, label=f"{len(fit)} cases")
    if unfit:
        ax.scatter([r[first] for r in unfit], [r[second] for r in unfit], s=18, marker="x", color=BROKEN_DOTS, linewidth=0.8,
                   label=f"{len(unfit)} that break a requirement")
    ax.plot([r[first] for r in front], [r[second] for r in front], "o-", color=ENGINE, linewidth=1.2, markersize=5,
            label=f"{len(front)} that no other beats")
    for row in front if len(front) <= NUMBERED else ():
        ax.annotate(str(row["case"]), (row[first], row[second]), xytext=(5, 5), textcoords="offset points", fontsize=8, color=INK)
    _dress(ax, first, second, most)
    ax.legend(frameon=False, fontsize=8)
    return ax


def plot_map(study: Study, across: str, up: str, column: str, *, most: bool = False, ax: Axes | None = None) -> Axes:
    """The least (or most) of a column over two varied keys.

    On a grid what else varies is at its best in each cell, and white is unsolved or breaks a requirement; of a sample each case is a dot.
    """
    ax = ax or broad()
    draw, told = (_dots, "") if is_sample(study, across, up) else (_cells, "most " if most else "least ")
    bar = ax.figure.colorbar(draw(ax, study, across, up, column, most), ax=ax)
    bar.set_label(told + label(column))
    bar.outline.set_visible(False)
    if bar.solids is not None:
        bar.solids.set_rasterized(False)
        bar.solids.set_edgecolor("face")
    _dress(ax, across, up, ())
    return ax


def is_sample(study: Study, across: str, up: str) -> bool:
    """Whether two keys are numbers whose combinations fill less than half of a grid."""
    points = {(row[across], row[up]) for row in study.rows}
    numbers = all(isinstance(value, int | float) and not isinstance(value, bool) for point in points for value in point)
    return numbers and 2 * len(points) < len({x for x, _ in points}) * len({y for _, y in points})


def _dots(ax: Axes, study: Study, across: str, up: str, column: str, most: bool) -> PathCollection:
    """Every solved case at its place, the best on top; those that break a requirement are crosses."""
    rows = sorted((row for row in study.done if row[column] is not None), key=lambda row: row[column], reverse=not most)
    fit, unfit = [r for r in rows if r["meets"] is not False], [r for r in rows if r["meets"] is False]
    if unfit:
        ax.scatter([r[across] for r in unfit], [r[up] for r in unfit], s=18, marker="x", color=BROKEN_DOTS, linewidth=0.8,
                   label=f"{len(unfit)} that break a requirement")
        ax.figure.legend(frameon=False, fontsize=8, loc="outside upper left")
    return ax.scatter([r[across] for r in fit], [r[up] for r in fit], c=[r[column] for r in fit], s=28, linewidth=0,
                      cmap=_colours(most))


def _cells(ax: Axes, study: Study, across: str, up: str, column: str, most: bool) -> QuadMesh:
    """The values of ``map_cells``, written into them where they are few."""
    cells, xs, ys = map_cells(study, across, up, column, most=most)
    image = ax.pcolormesh(np.arange(len(xs) + 1), np.arange(len(ys) + 1), np.ma.masked_invalid(cells), cmap=_colours(most),
                          edgecolor="none", antialiased=False)
    ax.set_xticks(np.arange(len(xs)) + 0.5, [_short(x) for x in xs], rotation=45 if len(xs) > 8 else 0)
    ax.set_yticks(np.arange(len(ys)) + 0.5, [_short(y) for y in ys])
    if cells.size <= WRITTEN_CELLS:
        _write_values(ax, cells, image)
    return image


def _colours(most: bool) -> str:
    """Light is better."""
    return "viridis" if most else "viridis_r"


def map_cells(study: Study, across: str, up: str, column: str, *, most: bool = False) -> tuple[Any, list[Any], list[Any]]:
    """(rows, columns) of the least (or most) of a column, NaN where nothing is solved, and the values along both axes."""
    rows = [row for row in study.done if row[column] is not None and row["meets"] is not False]
    xs, ys = (_in_order({row[key] for row in study.rows}) for key in (across, up))
    cells = np.full((len(ys), len(xs)), np.nan)
    for row in rows:
        i, j = ys.index(row[up]), xs.index(row[across])
        better = np.fmax if most else np.fmin
        cells[i, j] = better(cells[i, j], row[column])
    return cells, xs, ys


def _in_order(values: set[Any]) -> list[Any]:
    return sorted(values, key=lambda v: (isinstance(v, str), v if isinstance(v, int | float | str) else str(v)))


def _short(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _write_values(ax: Axes, cells: Any, image: Any) -> None:
    """The value of each cell, dark on light and light on dark."""
    spread = float(np.nanmax(cells) - np.nanmin(cells)) if np.isfinite(cells).any() else 0.0
    digits = max(0, min(4, int(np.ceil(2 - np.log10(spread))))) if spread > 0.0 else 3
    for (i, j), value in np.ndenumerate(cells):
        if np.isfinite(value):
            red, green, blue, _ = image.cmap(image.norm(value))
            ink = "white" if 0.3 * red + 0.59 * green + 0.11 * blue < 0.5 else ON_LIGHT
            ax.text(j + 0.5, i + 0.5, f"{value:.{digits}f}", ha="center", va="center", fontsize=8, color=ink)


def broad() -> Axes:
    """New axes with the room of a page."""
    return _figure(7.0, 5.0).subplots()


def narrow() -> Axes:
    """New axes with the room of a telephone."""
    return _figure(4.3, 4.0).subplots()


def _figure(width: float, height: float) -> Figure:
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def _dress(ax: Axes, x: str, y: str, most: Sequence[str]) -> None:
    ax.set_xlabel(label(x) + (", more is better" if x in most else ""))
    ax.set_ylabel(label(y) + (", more is better" if y in most else ""))
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(QUIET)
    ax.tick_params(color=QUIET, labelcolor=INK, labelsize=8)


def png(ax: Axes, dpi: int = 130) -> bytes:
    """The figure of some axes as a PNG file."""
    buffer = io.BytesIO()
    ax.figure.savefig(buffer, format="png", dpi=dpi)    # type: ignore[union-attr]
    return buffer.getvalue()
