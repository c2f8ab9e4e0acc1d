"""What comfort costs, as a person reads it and as a figure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from ems.judge.comfort import OUTSIDE
from ems.present.optimum_text import NO_TYPE_APPROVAL
from ems.present.text import columns, times

if TYPE_CHECKING:
    from collections.abc import Sequence

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
            *_events(result), "",
            "fuel without prices; at least: with a price no trip with as few starts and changes needs less, with a limit none",
            "that keeps it.",
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
    """Least fuel over changes per km; numbers lead to the settings and their starts, listed beside."""
    from ems.present.axes import new_axes, plain
    from ems.present.palette import ENGINE, INK, MACHINES

    points = [p for p in result.points if p.fuel is not None]
    ax = ax or new_axes(4.6, 9.5)
    for p in points:
        assert p.fuel is not None
        colour, marker = (ENGINE, "s") if "start" in p.setting else (MACHINES[0], "o")
        ax.errorbar(p.changes_per_km, p.fuel.value, yerr=[[p.fuel.value - p.fuel.low], [0.0]], color=INK, capsize=2.5, linewidth=0.8)
        ax.plot(p.changes_per_km, p.fuel.value, marker, color=colour, markersize=7, fillstyle="full" if p.on_front else "none")
    for x, y, words in _numbers(points):
        ax.annotate(words, (x, y), textcoords="offset points", xytext=(0, 7), fontsize=8, color=INK, ha="center")
    told = [f"{i}  {p.setting}: {times(p.starts, 'start')}" for i, p in enumerate(points, 1)]
    ax.text(1.02, 1.0, "\n".join(told), transform=ax.transAxes, fontsize=8, color=INK, va="top")
    plain(ax, "changes of configuration per km; hollow: not on the front", f"{result.base.layout.name} on {result.base.cycle.name}")
    ax.set_ylabel("least fuel [l/100 km], prices left out")
    ax.margins(x=0.1, y=0.12)
    return ax


def _numbers(points: Sequence[Point]) -> list[tuple[float, float, str]]:
    """(changes per km, fuel, numbers) of points; one word where several lie too near to one another to tell their numbers apart."""
    places = [(p.changes_per_km, p.fuel.value) for p in points if p.fuel is not None]
    wide, high = (max(max(p[i] for p in places) - min(p[i] for p in places), 1e-9) for i in (0, 1))
    groups: list[list[int]] = []
    for i, (x, y) in enumerate(places):
        near = (g for g in groups if any(abs(places[j][0] - x) < 0.06 * wide and abs(places[j][1] - y) < 0.06 * high for j in g))
        group = next(near, None)
        if group is None:
            groups.append([i])
        else:
            group.append(i)
    return [(sum(places[i][0] for i in g) / len(g), max(places[i][1] for i in g), ", ".join(str(i + 1) for i in g)) for g in groups]


def save_comfort_figure(result: Comfort, path: Path) -> None:
    """The figure as a file."""
    from ems.present.axes import save_axes

    save_axes(path, 10.0, 5.0, lambda ax: plot_comfort(result, ax))
