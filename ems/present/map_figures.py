"""Figures of components: fuel map with its line of best efficiency, machine map in all quadrants, battery, road load.

Each function draws into ``ax`` when one is given and returns the axes; ``component_figure`` makes the whole picture.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.components.battery import Battery
from ems.components.engine import Engine
from ems.components.listing import Component, machine_field
from ems.components.machine import Machine
from ems.components.vehicle import KMH_PER_M_S, Vehicle
from ems.present.axes import beside, dress, new_axes, new_figure, plain_figure
from ems.present.palette import BATTERY, CHARGE, ENGINE, INK, MACHINES, QUIET
from ems.quantities import RPM_PER_RAD_S
from ems.types import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FINE = 150                     # points along each axis of a contour plot
ABOVE_BEST_G_KWH = (0, 1, 3, 6, 10, 15, 20, 30, 50, 80, 130, 200, 400)
"""Lines of equal consumption, above the best rounded up."""
EFFICIENCY_LEVELS = (60, 70, 80, 85, 90, 92, 94, 95, 96, 97)
FAST_KMH = 180.0
COLOURS, LIGHT, DARK = "YlGnBu", 0.0, 0.55     # light to dark of one family, the part on which black text can be read


def plot_engine(engine: Engine, ax: Axes | None = None) -> Axes:
    """Specific fuel consumption below full load, lines of power, best line, and the drag with fuel cut below zero."""
    ax = ax or new_axes(6.2, 9.5)
    speed = np.linspace(engine.idle_rad_s, engine.max_rad_s, FINE)
    full = np.interp(speed, engine.limit_speed_rad_s, engine.full_load_Nm)
    torque = np.linspace(0.02, 1.0, FINE)[None, :] * full[:, None]
    g_kWh = 3.6e6 * engine.fuel_rate_g_s(speed[:, None], torque) / (speed[:, None] * torque)
    efficiency, at, best = engine.best_point()
    found = 3.6e6 / (efficiency * engine.fuel.heating_value_J_g)
    _contours(ax, speed, torque, g_kWh, [float(np.ceil(found)) + more for more in ABOVE_BEST_G_KWH], darkest_first=True)
    _powers(ax, speed, full, float(engine.rated_power_W))
    ax.plot(speed * RPM_PER_RAD_S, full, color=INK, linewidth=1.8, label="full load")
    power = np.linspace(0.02, 1.0, 200) * engine.rated_power_W
    best_speed, best_torque, _ = engine.best_line(power)
    ax.plot(best_speed * RPM_PER_RAD_S, best_torque, color=ENGINE, linewidth=1.6, linestyle=(0, (5, 2)), label="least fuel for each power")
    ax.plot([at * RPM_PER_RAD_S], [best], "o", color=ENGINE, markersize=6, markeredgecolor="white", label="best point")
    if engine.motoring_Nm.size:
        ax.plot(speed * RPM_PER_RAD_S, -engine.motoring_drag_Nm(speed), color=MACHINES[0], linewidth=1.2, linestyle=":",
                label="turned with fuel cut")
        ax.axhline(0.0, color=INK, linewidth=0.5)
    ax.set_ylim(min(ax.get_ylim()[0], 0.0) if engine.motoring_Nm.size else 0.0, None)
    dress(ax, "torque [N m]", f"Fuel [g/kWh]: best {found:.1f} ({100 * efficiency:.1f} %) at {at * RPM_PER_RAD_S:.0f} rpm "
          f"and {best:.0f} N m")
    _finish(ax)
    return ax


def plot_machine(machine: Machine, ax: Axes | None = None) -> Axes:
    """Efficiency driving and generating, with peak and continuous torque."""
    ax = ax or new_axes(6.2, 9.5)
    speed, torque, efficiency = machine_field(machine)
    _contours(ax, speed, torque, 100.0 * efficiency, EFFICIENCY_LEVELS)
    over = np.linspace(0.0, machine.max_rad_s, FINE)
    for curve, style, label in ((machine.peak_Nm, "-", _peak(machine)), (machine.continuous_Nm, "--", "continuous")):
        limit = np.interp(over, machine.limit_speed_rad_s, curve)
        ax.plot(over * RPM_PER_RAD_S, limit, color=INK, linewidth=1.8 if style == "-" else 1.2, linestyle=style, label=label)
        ax.plot(over * RPM_PER_RAD_S, -limit, color=INK, linewidth=1.8 if style == "-" else 1.2, linestyle=style)
    ax.axhline(0.0, color=INK, linewidth=0.6)
    i, j = np.unravel_index(int(np.nanargmax(efficiency)), efficiency.shape)
    drag_W = float(machine.loss_at_W(0.5 * machine.max_rad_s, 0.0))
    dress(ax, "torque [N m], generating below zero",
          f"Efficiency with inverter [%]: best {100 * efficiency[i, j]:.1f} at {speed[i] * RPM_PER_RAD_S:.0f} rpm "
          f"and {torque[i, j]:.0f} N m; "
          f"turned idle at half its top speed it loses {drag_W:.0f} W")
    _finish(ax)
    return ax


def _peak(machine: Machine) -> str:
    return f"peak, {machine.peak_time_s:g} s" if np.isfinite(machine.peak_time_s) else "peak"


def plot_battery_voltage(battery: Battery, ax: Axes | None = None) -> Axes:
    """Open-circuit voltage over charge."""
    ax = ax or new_axes(2.4, 9.5)
    ax.plot(battery.soc, battery.voltage_V, color=CHARGE, linewidth=1.4)
    low, high = np.interp([battery.soc_low, battery.soc_high], battery.soc, battery.voltage_V)
    _window(battery, ax)
    dress(ax, "open-circuit voltage [V]", f"Voltage rises from {low:.0f} to {high:.0f} V over the usable window "
          f"{battery.soc_low:g} to {battery.soc_high:g}")
    return ax


def plot_battery_resistance(battery: Battery, ax: Axes | None = None) -> Axes:
    """Resistance over charge, given and taken."""
    ax = ax or new_axes(2.4, 9.5)
    for values, style, word in ((battery.resistance_discharge_ohm, "-", "discharging"), (battery.resistance_charge_ohm, "--", "charging")):
        ax.plot(battery.soc, 1e3 * values, color=INK, linewidth=1.3, linestyle=style)
        beside(ax, 1e3 * float(values[-1]), word)
    _window(battery, ax)
    ax.set_ylim(0.0, None)
    factor = f", {battery.resistance_factor:.2f} times what its file states" if battery.resistance_factor != 1.0 else ""
    dress(ax, "resistance [mohm]", f"Resistance at {battery.temperature_C:g} C{factor}")
    return ax


def plot_battery_power(battery: Battery, ax: Axes | None = None) -> Axes:
    """Limits of terminal power over charge: 10 s, with 2 s and continuous power beside."""
    ax = ax or new_axes(2.8, 9.5)
    ways = ((1.0, battery.discharge_power_W, battery.discharge_for_W), (-1.0, battery.charge_power_W, battery.charge_for_W))
    for sign, limit, rule in ways:
        ax.plot(battery.soc, sign * limit / 1e3, color=BATTERY, linewidth=1.6)
        marks = {"2 s": rule(2.0), "10 s": rule(10.0), "continuous": rule(np.inf)}
        for words, power in _together(marks):
            ax.axhline(sign * power / 1e3, color=INK, linewidth=0.7, linestyle=(0, (4, 3)))
            beside(ax, sign * power / 1e3, words)
    ax.axhline(0.0, color=INK, linewidth=0.6)
    _window(battery, ax)
    gives_kW, takes_kW = (float(np.interp(battery.soc_target, battery.soc, limit)) / 1e3 for _, limit, _ in ways)
    dress(ax, "power [kW], taken below zero",
          f"At the target charge {battery.soc_target:g} it gives {gives_kW:.1f} kW and takes {takes_kW:.1f} kW for 10 s")
    ax.set_xlabel("state of charge [-]", fontsize=9, color=INK)
    return ax


def plot_vehicle(vehicle: Vehicle, ax: Axes | None = None) -> Axes:
    """Road load over speed, force and power, with the share of braking that can be recovered where that is limited."""
    ax = ax or new_axes(5.0, 9.5)
    kmh = np.linspace(0.0, FAST_KMH, 361)
    force = vehicle.road_load_N(kmh / KMH_PER_M_S)
    power = force * kmh / KMH_PER_M_S / 1e3
    ax.plot(kmh, force, color=INK, linewidth=1.6, label="force")
    other = ax.twinx()
    ax.plot([], [], color=MACHINES[0], linewidth=1.4, linestyle="--", label="power")
    other.plot(kmh, power, color=MACHINES[0], linewidth=1.4, linestyle="--")
    other.set_ylabel("power [kW]", fontsize=9, color=MACHINES[0])
    other.tick_params(labelsize=8, colors=MACHINES[0])
    for side in ("top", "left", "bottom"):
        other.spines[side].set_visible(False)
    other.spines["right"].set_color(QUIET)
    if vehicle.fade_from_m_s > 0.0:
        ax.axvspan(vehicle.fade_to_m_s * KMH_PER_M_S, vehicle.fade_from_m_s * KMH_PER_M_S, color=QUIET, alpha=0.5,
                   label="recovering fades out")
    at_100 = float(np.interp(100.0, kmh, force)), float(np.interp(100.0, kmh, power))
    dress(ax, "road load [N]", f"At 100 km/h {at_100[0]:.0f} N and {at_100[1]:.1f} kW at the wheels on the level road")
    ax.set_ylim(0.0, None)
    other.set_ylim(0.0, None)
    _finish(ax, "speed [km/h]")
    return ax


def component_figure(component: Component, fig: Figure | None = None) -> Figure:
    """The whole picture of a component, its name on top and what was done to its maps below."""
    panels = _PANELS[type(component)]
    fig = fig or new_figure(*_size(component))
    axes = np.atleast_1d(np.asarray(fig.subplots(len(panels), 1, sharex=True), dtype=object))
    for plot, ax in zip(panels, axes, strict=True):
        plot(component, ax)
    invented = " (invented data)" if component.invented else ""
    fig.suptitle(f"{component.title or component.name}{invented}", x=0.01, ha="left", fontsize=12, fontweight="bold", color=INK)
    notes = getattr(component, "notes", ())
    if notes:
        fig.supxlabel("\n".join(_wrapped(note) for note in notes), x=0.01, ha="left", fontsize=7, color=INK)
    return fig


def _size(component: Component) -> tuple[float, float]:
    """Of the whole picture, inches."""
    return 9.5, 6.4 if len(_PANELS[type(component)]) == 1 else 8.6


def save_component(component: Component, path: Path, dpi: int = 130) -> None:
    """The picture as a file, PNG or SVG by its suffix; the same bytes every time."""
    from matplotlib import rc_context

    kind = path.suffix.removeprefix(".")
    with rc_context({"svg.hashsalt": "ems", "svg.fonttype": "none"}):
        made = component_figure(component, plain_figure(*_size(component)))
        made.savefig(path, format=kind, dpi=dpi, metadata={"Date": None} if kind == "svg" else None)


_PANELS: dict[type[Any], tuple[Callable[..., Any], ...]] = {
    Engine: (plot_engine,), Machine: (plot_machine,), Vehicle: (plot_vehicle,),
    Battery: (plot_battery_voltage, plot_battery_resistance, plot_battery_power),
}


def _contours(
    ax: Axes, speed: Array, torque: Array, values: Array, levels: Sequence[float], darkest_first: bool = False
) -> None:
    """Filled and labelled contours of values on (n,) speeds and (n, m) torques; a step of colour a level."""
    from matplotlib import colormaps

    at = np.broadcast_to(speed[:, None] * RPM_PER_RAD_S, torque.shape)
    seen = [x for x in levels if np.nanmin(values) < x < np.nanmax(values)]
    if not seen:
        return
    shades = colormaps[COLOURS](np.linspace(LIGHT, DARK, len(seen) + 1))
    ax.contourf(at, torque, values, levels=seen, colors=list(shades[::-1] if darkest_first else shades), extend="both")
    lines = ax.contour(at, torque, values, levels=seen, colors=INK, linewidths=0.5)
    ax.clabel(lines, fmt="%g", fontsize=7)


def _powers(ax: Axes, speed: Array, full: Array, rated_W: float) -> None:
    """Thin lines of constant power below full load."""
    step = next(s for s in (5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e4) if rated_W / 1e3 <= 7.0 * s)
    for kW in np.arange(step, rated_W / 1e3, step):
        torque = 1e3 * kW / speed
        shown = torque <= full
        ax.plot(speed[shown] * RPM_PER_RAD_S, torque[shown], color=INK, linewidth=0.35, alpha=0.6)
        if shown.any():
            ax.annotate(f"{kW:g} kW", (float(speed[shown][-1] * RPM_PER_RAD_S), float(torque[shown][-1])), fontsize=6.5, color=INK,
                        xytext=(-2, 2), textcoords="offset points", ha="right")


def _finish(ax: Axes, xlabel: str = "speed [rpm]") -> None:
    """The horizontal axis, and the legend below it."""
    ax.set_xlabel(xlabel, fontsize=9, color=INK)
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.11), ncols=4, frameon=False, fontsize=8)


def _window(battery: Battery, ax: Axes) -> None:
    """The usable window in grey, the target as a line."""
    ax.axvspan(battery.soc_low, battery.soc_high, color=QUIET, alpha=0.3, linewidth=0.0)
    ax.axvline(battery.soc_target, color=INK, linewidth=0.7, linestyle=":")


def _together(marks: dict[str, float]) -> list[tuple[str, float]]:
    """Words and power, those of equal power on one line."""
    return [(", ".join(w for w, p in marks.items() if p == power), power) for power in dict.fromkeys(marks.values())]


def _wrapped(text: str) -> str:
    from textwrap import fill

    return fill(text, 170)
