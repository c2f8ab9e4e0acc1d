"""What comfort costs, as a person reads it and as a figure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from ems.judge.comfort import OUTSIDE
from ems.present.optimum_text import NO_TYPE_APPROVAL
from ems.present.text import columns, times

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from rich.console import RenderableType

    from ems.judge.comfort import Comfort, Point

WORST = 5


def comfort_text(result: Comfort) -> list[RenderableType]:
    """Everything ``ems comfort`` prints."""
    from rich.text import Text

    layout, cycle = result.base.layout.name, result.base.cycle.name
    head = Text.assemble("What fewer starts and changes cost: ", (layout, "bold"), " on ", (cycle, "bold"))
    first = result.points[0]
    rows = [_row(p, first) for p in result.points]
    return [head, "", columns(rows, (False, True, True, True, True, True, True, False),
                              ("", "l/100 km", "at least", "more %", "starts", "changes", "changes/km", "")), "",
            *_events(result), "", "fuel without prices; at least: no trip with as few starts and changes needs less.",
            f"{OUTSIDE} {NO_TYPE_APPROVAL}"]


def _row(point: Point, first: Point) -> tuple[str, ...]:
    if point.fuel is None or first.fuel is None:
        return (point.setting, "-", "", "", "", "", "", point.why)
    more = 100.0 * (point.fuel.value / first.fuel.value - 1.0)
    return (point.setting, f"{point.fuel.value:.3f}", f"{point.fuel.low:.3f}", f"{more:+.2f}", str(point.starts), str(point.changes),
            f"{point.changes_per_km:.2f}", "" if point.on_front else "not on the front")


def _events(result: Comfort) -> list[RenderableType]:
    """The changes with the largest holes."""
    events = result.events
    holes = sorted((e for e in events if e["hole_N"] > 0.0), key=lambda e: -e["impulse_Ns"])
    told: list[RenderableType] = [f"{times(len(events), 'change')} on the trip as the layout is: {len(events) - len(holes)} filled or "
                                  f"without demand, {len(holes)} leave a torque hole"]
    if holes:
        told[0] = f"{told[0]}; the largest:"
        told.append(columns([_event(e) for e in holes[:WORST]], (True, True, False, True, True, True, True),
                            ("s", "km/h", "", "lasts s", "hole N", "impulse N s", "slowing m/s2")))
    return told


def _event(e: dict[str, Any]) -> tuple[str, ...]:
    return (f"{e['time_s']:g}", f"{e['speed_kmh']:.1f}", f"{e['from']} to {e['to']}", f"{e['lasts_s']:.1f}", f"{e['hole_N']:.0f}",
            f"{e['impulse_Ns']:.0f}", f"{e['slowing_m_s2']:.2f}")


def plot_comfort(result: Comfort, ax: Axes | None = None) -> Axes:
    """Least fuel over changes per km, starts beside each point."""
    from ems.present.axes import new_axes, plain
    from ems.present.palette import ENGINE, INK, MACHINES

    ax = ax or new_axes(4.6, 7.5)
    named: set[tuple[int, int]] = set()
    for i, p in enumerate(result.points):
        if p.fuel is None:
            continue
        colour, marker = (ENGINE, "s") if "start" in p.setting else (MACHINES[0], "o")
        ax.errorbar(p.changes_per_km, p.fuel.value, yerr=[[p.fuel.value - p.fuel.low], [0.0]], color=INK, capsize=2.5, linewidth=0.8)
        ax.plot(p.changes_per_km, p.fuel.value, marker, color=colour, markersize=7, fillstyle="full" if p.on_front else "none")
        if (p.starts, p.changes) not in named:              # further settings with the same counts stand in the table
            ax.annotate(f"{p.setting}: {times(p.starts, 'start')}", (p.changes_per_km, p.fuel.value), textcoords="offset points",
                        xytext=(8, 6 if i % 2 else -12), fontsize=8, color=INK)
            named.add((p.starts, p.changes))
    plain(ax, "changes of configuration per km; hollow: not on the front", f"{result.base.layout.name} on {result.base.cycle.name}")
    ax.set_ylabel("least fuel [l/100 km], prices left out")
    ax.margins(x=0.25, y=0.12)
    return ax


def save_comfort_figure(result: Comfort, path: Path) -> None:
    """The figure as a file."""
    from ems.present.axes import save_axes

    save_axes(path, 8.5, 5.0, lambda ax: plot_comfort(result, ax))
