"""Figures of a solved trip: speed with a ribbon of modes, who gives and takes power, charge in its window.

Each function draws into ``ax`` when one is given and returns the axes. None touches pyplot, so that they work without a
display; to see one in a window of your own: ``plot_speed(result, plt.gca()); plt.show()``.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from ems.present.axes import beside as _beside
from ems.present.axes import dress as _dress
from ems.present.axes import new_axes as _new_axes
from ems.present.axes import new_figure, plain_figure
from ems.present.palette import BATTERY, BRAKES, CHARGE, ENGINE, INK, MACHINES, QUIET, mode_style
from ems.present.text import within
from ems.types import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ems.components.battery import Battery
    from ems.plant.trace import Trace

SIZE = 12.0, 8.4         # of the whole figure, inches
RIBBON = 0.20            # height of the ribbon of modes, of the highest speed
LANE_GAP = 0.16          # free space between two lanes of power, of the largest power
LEAST_LANE = 0.22        # of the largest power, so that the names of two lanes never meet
HATCH_WIDTH = 0.5        # thin, so that a mode of a few seconds keeps its colour
LEGEND_FROM = 0.005      # modes with a smaller share of the time have one line of the legend together
LEGEND_MOST = 12         # lines, of which the last may be that of all others
TOUCH = 1e-3             # so near a limit of the window counts as touching it (state of charge)


class Traced(Protocol):
    """Anything that has a trace: an optimum, a simulation."""

    @property
    def trace(self) -> Trace: ...


def plot_speed(result: Traced, ax: Axes | None = None) -> Axes:
    """Speed over time above a ribbon of mode labels, told apart by colour and hatch; the legend stands outside."""
    from matplotlib import rc_context

    ax = ax or _new_axes(3.0)
    time_s, width_s = _intervals(result)
    boundary_s = np.append(time_s, time_s[-1] + width_s[-1])
    speed_kmh = 3.6 * result.trace.demand.boundary_speed_m_s
    top = max(float(speed_kmh.max()), 1.0)
    modes = [str(m) for m in result.trace.columns["mode"]]
    shares = _shares(modes, width_s)
    styles = {label: mode_style(label) for label in shares}
    with rc_context({"hatch.linewidth": HATCH_WIDTH}):
        for label, style in styles.items():
            ax.broken_barh(_stretches(modes, label, time_s, width_s), (-1.25 * RIBBON * top, RIBBON * top),
                           facecolor=style.colour, hatch=style.hatch, edgecolor=style.edge, linewidth=0.0)
        handles = mode_handles(shares)
    ax.fill_between(boundary_s, speed_kmh, color=QUIET, alpha=0.35, linewidth=0.0)
    ax.plot(boundary_s, speed_kmh, color=INK, linewidth=0.9)
    ax.set_ylim(-1.35 * RIBBON * top, 1.05 * top)
    ax.set_yticks([t for t in ax.get_yticks() if 0.0 <= t <= 1.05 * top])
    _dress(ax, "speed [km/h]", speed_finding(modes, shares))
    ax.legend(handles=handles, loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, fontsize=8,
              handlelength=1.8, handleheight=1.1)
    return ax


def plot_power(result: Traced, ax: Axes | None = None) -> Axes:
    """Power of engine and machines (mechanical), battery (terminals) and friction brakes, lane by lane on one scale."""
    ax = ax or _new_axes(4.0)
    time_s, width_s = _intervals(result)
    edges_s = np.append(time_s, time_s[-1] + width_s[-1])
    lanes = power_lanes(result.trace)
    largest = max(float(np.abs(power).max()) for _, power, _ in lanes) + 1e-9
    gap, base = LANE_GAP * largest, 0.0
    ticks: list[tuple[float, str]] = []
    for name, power, colour in lanes:
        base -= max(float(power.max()), LEAST_LANE * largest if ticks else 0.0)
        ax.stairs(base + power, edges_s, baseline=base, fill=True, color=colour, linewidth=0.0)
        ax.axhline(base, color=INK, linewidth=0.5)
        _beside(ax, base, _span(power))
        ticks.append((base, name))
        base += min(float(power.min()), 0.0) - gap
    ax.set_ylim(base, gap)
    _scale_bar(ax, -base)
    _dress(ax, "power [kW], one scale", power_finding(result))
    ax.set_yticks([at for at, _ in ticks], [name for _, name in ticks])
    ax.tick_params(axis="y", length=0)
    return ax


def plot_charge(result: Traced, ax: Axes | None = None) -> Axes:
    """State of charge over time, with the limits of the usable window."""
    ax = ax or _new_axes(2.2)
    time_s, width_s = _intervals(result)
    battery = result.trace.plant.layout.battery
    soc = _charge(result)
    ax.plot(np.append(time_s, time_s[-1] + width_s[-1]), soc, color=CHARGE, linewidth=1.2)
    ax.plot([time_s[0], time_s[-1] + width_s[-1]], [soc[0], soc[-1]], "o", color=CHARGE, markersize=4, clip_on=False)
    bar_window(ax, battery, soc)
    _dress(ax, "state of charge [-]", charge_finding(result))
    ax.set_xlabel("time [s]")
    return ax


def bar_window(ax: Axes, battery: Battery, *soc: Array) -> None:
    """Limits of the usable window as barred bands with words, and the axis so that window and courses of charge are seen."""
    low, high = battery.soc_low, battery.soc_high
    margin = 0.08 * (high - low)
    bottom, top = min(low, *(float(s.min()) for s in soc)) - margin, max(high, *(float(s.max()) for s in soc)) + margin
    for limit, end, word in ((low, bottom, "lowest allowed"), (high, top, "highest allowed")):
        ax.axhspan(min(limit, end), max(limit, end), facecolor="none", edgecolor=QUIET, hatch="////", linewidth=0.0)
        ax.axhline(limit, color=INK, linewidth=1.0)
        _beside(ax, limit, f"{word} {limit:g}")
    ax.set_ylim(bottom, top)


def figure(result: Traced, fig: Figure | None = None) -> Figure:
    """The three panels on one time axis, into ``fig`` when one is given."""
    fig = fig or new_figure(*SIZE)
    lanes = len(power_lanes(result.trace))
    panels = fig.subplots(3, 1, sharex=True, gridspec_kw={"height_ratios": [2.6, 0.8 + 0.62 * lanes, 1.9]})
    for plot, ax in zip((plot_speed, plot_power, plot_charge), panels, strict=True):
        plot(result, ax)
    fig.suptitle(_headline(result), x=0.01, ha="left", fontsize=13, fontweight="bold", color=INK)
    return fig


def save_figure(result: Traced, path: Path, dpi: int = 130) -> None:
    """The whole figure as a PNG file."""
    from matplotlib import rc_context

    with rc_context({"hatch.linewidth": HATCH_WIDTH}):
        figure(result, plain_figure(*SIZE)).savefig(path, format="png", dpi=dpi)


# ------------------------------------------------------------------------------------------------------- what is drawn


def _intervals(result: Traced) -> tuple[Array, Array]:
    """Start and length of each interval [s]."""
    return result.trace.demand.time_s, result.trace.demand.dt_s


def _column(result: Traced, name: str) -> Array:
    return np.asarray(result.trace.columns[name], float)


def _charge(result: Traced) -> Array:
    """State of charge at every boundary, (K + 1,)."""
    return np.append(_column(result, "soc_start"), _column(result, "soc_end")[-1])


def power_lanes(trace: Trace) -> list[tuple[str, Array, str]]:
    """Name, power [kW] and colour of everything that gives or takes power."""
    power = {name: np.asarray(trace.columns[name], float) for name in trace.columns if name.endswith("_power_kW")}
    machines = [(m.name, power[f"{m.name}_power_kW"], MACHINES[i % len(MACHINES)]) for i, m in enumerate(trace.plant.layout.machines)]
    return [("engine", power["engine_power_kW"], ENGINE), *machines, ("battery", power["battery_power_kW"], BATTERY),
            ("friction brakes", -power["brake_power_kW"], BRAKES)]


def _stretches(modes: list[str], label: str, time_s: Array, width_s: Array) -> list[tuple[float, float]]:
    """(start, length) of every run of a label [s]."""
    here = np.array([m == label for m in modes])
    turns = np.flatnonzero(np.diff(np.concatenate(([False], here, [False])).astype(int)))
    ends_s = time_s + width_s
    return [(float(time_s[a]), float(ends_s[b - 1] - time_s[a])) for a, b in zip(turns[::2], turns[1::2], strict=True)]


def _shares(modes: list[str], width_s: Array) -> dict[str, float]:
    """Share of the time of each label, largest first."""
    names = np.array(modes)
    shares = {label: float(width_s[names == label].sum() / width_s.sum()) for label in dict.fromkeys(modes)}
    return dict(sorted(shares.items(), key=lambda item: -item[1]))   # equals in the order in which they come


# ------------------------------------------------------------------------------------------------------- what is found


def _headline(result: Traced) -> str:
    found: Any = result
    layout = result.trace.plant.layout.name
    if not hasattr(found, "fuel_l_per_100km"):
        return str(layout)
    error = within(found.gap_percent + found.table_error_percent)
    return f"{layout} on {found.cycle.name}: {found.fuel_l_per_100km:.3f} l/100 km, proof and tables within {error}"


def speed_finding(modes: list[str], shares: dict[str, float]) -> str:
    """The largest shares of the time."""
    return "Mostly " + "; ".join(f"{label} ({100 * share:.0f} %)" for label, share in list(shares.items())[:3])


def power_finding(result: Traced) -> str:
    width_s = result.trace.demand.dt_s
    engine, brakes = _column(result, "engine_power_kW"), _column(result, "brake_power_kW")
    running = engine > 0.0
    if not running.any():
        drive = "The engine never drives"
    else:
        mean = float((engine * width_s)[running].sum() / width_s[running].sum())
        drive = (f"The engine gives power {100 * float(width_s[running].sum() / width_s.sum()):.0f} % of the time, "
                 f"{mean:.1f} kW in the mean")
    lost = float((brakes * width_s).sum())
    return f"{drive}; friction brakes take {lost:.0f} kJ" if lost >= 0.5 else f"{drive}; friction brakes take nothing"


def charge_finding(result: Traced) -> str:
    battery, soc = result.trace.plant.layout.battery, _charge(result)
    touched = [word for word, near in (("lower", soc.min() <= battery.soc_low + TOUCH),
                                       ("upper", soc.max() >= battery.soc_high - TOUCH)) if near]
    limits = f"reaches the {' and the '.join(touched)} limit of its window" if touched else "never meets its limits"
    return f"Charge {limits}: {soc.min():.3f} to {soc.max():.3f}, from {soc[0]:.3f} to {soc[-1]:.3f}"


def _span(power: Array) -> str:
    """'-30.0 to 41.2 kW'."""
    low, high = float(power.min()), float(power.max())
    if max(-low, high) < 0.05:
        return "nothing"
    if low >= -0.05:
        return f"up to {high:.1f} kW"
    return f"down to {low:.1f} kW" if high <= 0.05 else f"{low:.1f} to {high:.1f} kW"


# ------------------------------------------------------------------------------------------------------- how it looks


def _scale_bar(ax: Axes, height_kW: float) -> None:
    """A bar that says how many kilowatts a height is."""
    size = next((s for s in (100.0, 50.0, 20.0, 10.0, 5.0, 2.0, 1.0) if s <= 0.14 * height_kW), 1.0)
    top = ax.get_ylim()[1]
    ax.plot([1.13, 1.13], [top, top - size], transform=ax.get_yaxis_transform(), color=INK, linewidth=2.0,
            clip_on=False)
    _beside(ax, top - 0.5 * size, f"{size:g} kW", 1.137)


def mode_handles(shares: Mapping[str, float]) -> list[Any]:
    """Entries of a legend: modes in the order of their shares; those too small for a line of their own together in the last."""
    from matplotlib.patches import Patch

    told, others = _told(shares)
    handles = []
    for label in told:
        style = mode_style(label)
        handles.append(Patch(facecolor=style.colour, hatch=style.hatch, edgecolor=style.edge, linewidth=0.0,
                             label=f"{label}, {100 * shares[label]:.1f} %"))
    if others:
        left = sum(shares[label] for label in others)
        handles.append(Patch(facecolor="none", edgecolor="none", label=f"and {len(others)} others, {100 * left:.1f} % of the time"))
    return handles


def _told(shares: Mapping[str, float]) -> tuple[list[str], list[str]]:
    """Labels with a line of their own, and the others; a single other one has its line too, where there is room."""
    order = sorted(shares, key=lambda label: -shares[label])
    count = sum(shares[label] >= LEGEND_FROM for label in order)
    if len(order) - count == 1:
        count += 1
    if count > LEGEND_MOST or (count == LEGEND_MOST and count < len(order)):
        count = LEGEND_MOST - 1
    return order[:count], order[count:]
