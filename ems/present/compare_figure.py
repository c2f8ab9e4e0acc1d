"""Figures of a comparison: what was chosen above what was best, how the gap grew by cause, and both courses of charge.

Each function draws into ``ax`` when one is given and returns the axes; none touches pyplot.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from ems.present.axes import dress, new_axes, new_figure, plain_figure
from ems.present.figures import HATCH_WIDTH, _stretches, bar_window, mode_handles
from ems.present.palette import CHARGE, INK, QUIET, mode_style
from ems.types import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ems.judge.compare import Comparison

CAUSE_LINES = {  # colour and dashes of each cause
    "configuration": ("#0072b2", (0, (6, 2))), "division": ("#e69f00", (0, (1, 1.5))), "transition": ("#d55e00", "-"),
    "charge": ("#009e73", (0, (4, 1.5, 1, 1.5))),
}
SIZE = 12.0, 9.0    # of the whole figure, inches
RIBBON = 0.16       # height of each ribbon of modes, of the highest speed


def plot_choices(found: Comparison, ax: Axes | None = None) -> Axes:
    """Speed above two ribbons: the modes that were chosen, and those that were best at the same states."""
    from matplotlib import rc_context

    ax = ax or new_axes(3.2)
    demand = found.trace.demand
    time_s, width_s = demand.time_s, demand.dt_s
    kmh = 3.6 * demand.boundary_speed_m_s
    top = max(float(kmh.max()), 1.0)
    rows = [("chosen", [str(m) for m in found.trace.columns["mode"]]), ("best there", [str(m) for m in found.best_trace.columns["mode"]])]
    both = np.array(rows[0][1] + rows[1][1])
    shares = {label: float(np.tile(width_s, 2)[both == label].sum() / width_s.sum() / 2) for label in dict.fromkeys(both.tolist())}
    with rc_context({"hatch.linewidth": HATCH_WIDTH}):
        for i, (_, modes) in enumerate(rows):
            for label in dict.fromkeys(modes):
                style = mode_style(label)
                ax.broken_barh(_stretches(modes, label, time_s, width_s), (-(1.25 + 1.15 * i) * RIBBON * top, RIBBON * top),
                               facecolor=style.colour, hatch=style.hatch, edgecolor=style.edge, linewidth=0.0)
        handles = mode_handles(shares)
    for i, (word, _) in enumerate(rows):
        ax.text(-0.005, -(0.75 + 1.15 * i) * RIBBON * top, word, transform=ax.get_yaxis_transform(), ha="right", va="center", fontsize=8,
                color=INK)
    ax.fill_between(_boundaries(found), kmh, color=QUIET, alpha=0.35, linewidth=0.0)
    ax.plot(_boundaries(found), kmh, color=INK, linewidth=0.9)
    ax.set_ylim(-2.6 * RIBBON * top, 1.05 * top)
    ax.set_yticks([t for t in ax.get_yticks() if 0.0 <= t <= 1.05 * top])
    agreed = float(width_s[np.array(rows[0][1]) == np.array(rows[1][1])].sum() / width_s.sum())
    dress(ax, "speed [km/h]", f"The mode chosen is the best at its state {100 * agreed:.0f} % of the time")
    ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8, handlelength=1.8, handleheight=1.1,
              title="share of the time, mean of both rows", title_fontsize=8, alignment="left")
    return ax


def plot_prices(found: Comparison, ax: Axes | None = None) -> Axes:
    """The gap as it grows over the trip, whole and by cause; the costliest stretches are shaded and numbered."""
    ax = ax or new_axes(3.4)
    time_s = _boundaries(found)
    whole = _grown(found.ledger.price_g)
    ax.plot(time_s, whole, color=INK, linewidth=1.6, label=f"all prices, {whole[-1]:.1f} g")
    for cause, (colour, dashes) in CAUSE_LINES.items():
        grown = _grown(found.ledger.causes_g[cause])
        ax.plot(time_s, grown, color=colour, linestyle=dashes, linewidth=1.3, label=f"{cause}, {grown[-1] + 0.0:.1f} g")
    ax.axhline(0.0, color=INK, linewidth=0.5)
    for i, s in enumerate(found.stretches, 1):
        ax.axvspan(s.start_s, s.end_s, color=QUIET, alpha=0.6, linewidth=0.0)
        ax.text(0.5 * (s.start_s + s.end_s), 1.0 - 0.05 * ((i - 1) % 3), str(i), transform=ax.get_xaxis_transform(), ha="center", va="top",
                fontsize=7, color=INK)
    dress(ax, "fuel above the lower bound [g]", _finding(found))
    ax.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8)
    return ax


def plot_charges(found: Comparison, ax: Axes | None = None) -> Axes:
    """State of charge of the strategy and of the optimum that ends with the same, in the usable window."""
    ax = ax or new_axes(2.4)
    battery = found.layout.battery
    courses = ((f"{found.strategy}", found.trace, CHARGE, "-"), ("optimum", found.optimum.trace, INK, (0, (4, 2))))
    charges = []
    for name, trip, colour, dashes in courses:
        soc = np.append(np.asarray(trip.columns["soc_start"], float), np.asarray(trip.columns["soc_end"], float)[-1])
        ax.plot(_boundaries(found), soc, color=colour, linestyle=dashes, linewidth=1.2, label=name)
        charges.append(soc)
    bar_window(ax, battery, *charges)
    dress(ax, "state of charge [-]", f"Both from {found.soc_start:.3f} to {found.soc_end:.3f}, window from {battery.soc_low:g} to "
          f"{battery.soc_high:g}")
    ax.set_xlabel("time [s]")
    ax.legend(loc="center left", bbox_to_anchor=(1.01, 0.5), frameon=False, fontsize=8)
    return ax


def compare_figure(found: Comparison, fig: Figure | None = None) -> Figure:
    """The three panels on one time axis, into ``fig`` when one is given."""
    fig = fig or new_figure(*SIZE)
    panels = fig.subplots(3, 1, sharex=True, gridspec_kw={"height_ratios": [3.0, 3.0, 2.0]})
    for plot, ax in zip((plot_choices, plot_prices, plot_charges), panels, strict=True):
        plot(found, ax)
    fig.suptitle(f"{found.strategy} on {found.layout.name} over {found.cycle.name}: {found.strategy_l_per_100km:.3f} l/100 km, "
                 f"the least possible {found.optimum_l_per_100km:.3f}", x=0.01, ha="left", fontsize=13, fontweight="bold", color=INK)
    return fig


def save_compare_figure(found: Comparison, path: Path, dpi: int = 130) -> None:
    """The whole figure as a PNG file."""
    from matplotlib import rc_context

    with rc_context({"hatch.linewidth": HATCH_WIDTH}):
        compare_figure(found, plain_figure(*SIZE)).savefig(path, format="png", dpi=dpi)


def _boundaries(found: Comparison) -> Array:
    demand = found.trace.demand
    return np.append(demand.time_s, demand.time_s[-1] + demand.dt_s[-1])


def _grown(prices_g: Array) -> Array:
    return np.concatenate([[0.0], np.cumsum(prices_g)])


def _finding(found: Comparison) -> str:
    return (f"The gap of {found.gap_g:.1f} g: at least {found.calibration_g:.1f} g calibration, "
            f"at most {found.foresight_g:.1f} g foresight, {found.optimum_slack_g:.1f} g left open by the proof")
