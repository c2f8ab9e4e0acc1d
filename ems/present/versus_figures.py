"""Figures of a comparison: fuel by layout and cycle with where it went, and wheel force over speed.

As in ``ems.present.figures`` every plot draws into ``ax`` when one is given and returns the axes.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ems.present.axes import listed, new_axes, plain
from ems.present.palette import BATTERY, BRAKES, ENGINE, INK, MACHINES, QUIET

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from ems.judge.capability import Capability
    from ems.judge.force_curves import ForceCurves
    from ems.judge.versus import Cell, Versus

PARTS = (   # loss, words, colour, hatch
    ("engine", "engine heat", ENGINE, ""), ("machines", "machines", MACHINES[0], "///"),
    ("meshes", "meshes, clutches, drags, hold power", MACHINES[3], "..."), ("battery", "battery", BATTERY, "xxx"),
    ("brakes", "friction brakes", BRAKES, "+++"), ("road", "road load and auxiliaries", QUIET, ""),
)
GRADES = (0.0, 12.0, 30.0)
WIDEST_KMH = 220.0
DASHES = ("-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2)), (0, (3, 1, 1, 1, 1, 1)))
NOTE = "A computed optimum, not a type-approval figure."


def plot_fuel(result: Versus, cycle: str, ax: Axes | None = None) -> Axes:
    """Least fuel of every layout on a cycle, thriftiest first, divided into where the energy went; error bar and floor marked."""
    ax = ax or new_axes(3.2, 7.0)
    cells = [c for c in result.ranked(cycle) if c.fuel is not None]
    left = np.zeros(len(cells))
    for key, words, colour, hatch in PARTS:
        values = np.array([_part(c, key) for c in cells])
        ax.barh(range(len(cells)), values, left=left, height=0.62, color=colour, hatch=hatch, edgecolor="#ffffff",
                linewidth=0.4, label=words)
        left += values
    for i, cell in enumerate(cells):
        assert cell.fuel is not None and cell.found is not None
        ax.errorbar(cell.fuel.value, i, xerr=[[cell.fuel.value - cell.fuel.low], [cell.fuel.high - cell.fuel.value]], color=INK, capsize=3)
        ax.plot([cell.found.floor_l_per_100km] * 2, [i - 0.36, i + 0.36], color=INK, linewidth=1.6)
        ax.text(cell.fuel.high, i, f"  {cell.fuel.value:.3f}", va="center", ha="left", fontsize=9, color=INK)
    ax.set_xlim(0.0, 1.12 * max([c.fuel.high for c in cells if c.fuel], default=1.0))
    listed(ax, [c.layout for c in cells], "least fuel [l/100 km]; upright stroke: the floor no layout can go below", cycle)
    return ax


def _part(cell: Cell, key: str) -> float:
    parts = cell.grouped_l_per_100km
    return sum(parts[name] for name in (("meshes", "clutches", "drag", "hold") if key == "meshes" else (key,)))


def plot_force(capabilities: Mapping[str, Capability], ax: Axes | None = None, *, charge: str = "normal", rating: str = "short") -> Axes:
    """The most wheel force of every layout over speed, and what the level and two grades take; of one alone each configuration's too."""
    ax = ax or new_axes(4.4, 7.0)
    top = 0.0
    if len(capabilities) == 1:
        (only,) = capabilities.values()
        _draw_configurations(ax, only.curves[charge, rating])
    for (name, ability), dash, colour in zip(capabilities.items(), _endless(DASHES), _endless((*MACHINES, ENGINE, BATTERY)), strict=False):
        curves = ability.curves[charge, rating]
        running = curves.envelope_N > 0.0
        ax.plot(3.6 * curves.speed_m_s[running], curves.envelope_N[running] / 1e3, color=colour, linestyle=dash, linewidth=1.8,
                label=name if len(capabilities) > 1 else f"{name}, the best of them")
        top = max(top, float(np.percentile(curves.envelope_N, 90.0)) / 1e3)
    first = next(iter(capabilities.values()))
    _draw_grades(ax, first.curves[charge, rating], first)
    ax.set_ylim(0.0, 1.6 * top)
    ax.set_xlim(0.0, WIDEST_KMH)
    ax.set_ylabel("wheel force [kN]")
    words = {"short": "short-time ratings", "lasting": "continuous ratings"}[rating]
    plain(ax, "speed [km/h]", f"{words}, charge {'at its target' if charge == 'normal' else 'low'}")
    ax.legend(frameon=False, fontsize=9)
    return ax


def _draw_configurations(ax: Axes, curves: ForceCurves) -> None:
    """Every configuration where it can run, thin; one entry in the legend."""
    for i, n in enumerate(np.flatnonzero(np.isfinite(curves.force_N).any(axis=0))):
        ax.plot(3.6 * curves.speed_m_s, curves.force_N[:, n] / 1e3, color=QUIET, linewidth=0.9, label="" if i else "each configuration")


def _draw_grades(ax: Axes, curves: ForceCurves, ability: Capability) -> None:
    from ems.judge.capability import needed_N

    for grade in GRADES:
        need = np.array([needed_N(ability.layout, v, grade) for v in curves.speed_m_s]) / 1e3
        ax.plot(3.6 * curves.speed_m_s, need, color=INK, linewidth=0.7)
        end = float(np.interp(WIDEST_KMH / 3.6, curves.speed_m_s, need))
        ax.text(WIDEST_KMH, end, f" {grade:g} %", fontsize=8, va="center", color=INK)


def save_fuel_figure(result: Versus, path: Path) -> None:
    """Every cycle in a panel of its own."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    height = 0.9 + sum(0.9 + 0.42 * len(result.layouts) for _ in result.cycles)
    with rc_context({"hatch.linewidth": 0.6}):
        fig = Figure(figsize=(9.0, height), layout="constrained")
        panels = fig.subplots(len(result.cycles), 1, squeeze=False)[:, 0]
        for cycle, ax in zip(result.cycles, panels, strict=True):
            plot_fuel(result, cycle.name, ax)
        handles, labels = panels[0].get_legend_handles_labels()
        fig.legend(handles, labels, loc="outside lower center", ncols=3, frameon=False, fontsize=9)
        fig.suptitle(NOTE, x=0.01, ha="left", fontsize=8, color=INK)
        fig.savefig(path, dpi=130)


def save_force_figure(capabilities: Mapping[str, Capability], path: Path) -> None:
    """Short-time at the target charge beside continuous at a low charge."""
    from matplotlib.figure import Figure

    fig = Figure(figsize=(12.0, 4.8), layout="constrained")
    left, right = fig.subplots(1, 2, sharey=True)
    plot_force(capabilities, left)
    plot_force(capabilities, right, charge="low", rating="lasting")
    plot_limit = left.get_ylim()
    right.set_ylim(*plot_limit)
    fig.savefig(path, dpi=130)


def forces_frame(capabilities: Mapping[str, Capability]) -> pd.DataFrame:
    """Envelopes of all layouts, charges and ratings over speed [N], indexed by speed_kmh; empty where none can run."""
    import pandas as pd

    columns = [pd.Series(np.where(c.envelope_N > 0.0, c.envelope_N, np.nan), index=pd.Index((3.6 * c.speed_m_s).round(6), name="speed_kmh"),
                         name=f"{name}, {charge}, {rating} [N]")
               for name, ability in capabilities.items() for (charge, rating), c in ability.curves.items()]
    return pd.concat(columns, axis=1).sort_index()


def _endless(values: tuple[object, ...]) -> list[object]:
    return [*values] * 8
