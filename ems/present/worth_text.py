"""What every part is worth, as a person reads it: dearest first within its kind; and as a figure."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from ems.judge.worth import CONTROL, HARDWARE, KINDS
from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.text import columns, times

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from rich.console import RenderableType

    from ems.judge.bars import Bar
    from ems.judge.worth import Row, Worth

HEADINGS = {"clutch": "clutches", "brake": "brakes", "shifter": "shifters", "position": "shifter positions", "gear": "gear pairs",
            "machine": "machines", "configuration": "configurations", "machines together": "machines that work together"}
WORDS = {CONTROL: "forbidden", HARDWARE: "deleted"}
NO_DRIVE = "no source that reaches the wheels"     # which other ratios do not mend
ABILITY = ("time_0_100_s", "start_grade_percent", "most_power_kW")


def worth_text(result: Worth) -> list[RenderableType]:
    """Everything ``ems worth`` prints."""
    from rich.text import Text

    base = ", ".join(f"{bar.value:.3f} l/100 km on {cycle}" for cycle, bar in result.base.items())
    parts: list[RenderableType] = [Text.assemble("What each part of ", (result.layout.name, "bold"), f" saves; with everything {base}")]
    if result.ratios:
        parts.append("Ratios found anew: " + ", ".join(f"{name} {ratio:.3f}" for name, ratio in result.ratios.items()))
    parts.append("")
    several = len(result.base) > 1
    for kind in KINDS:
        rows = [r for r in result.rows if r.kind == kind]
        if rows:
            parts += [Text(HEADINGS[kind], style="bold"), *_table(result, rows, several), *_needed(result, rows), *_unused(rows), ""]
    seconds, grade, power = (_number(result.ability[key]) for key in ABILITY)
    mean = ", mean of the cycles" if several else ""
    starter = any(r.part == result.layout.engine.started_by and r.what == HARDWARE and r.bar is not None for r in result.rows)
    parts += [f"With everything: 0-100 km/h in {seconds} s, {grade} % to start on, {power} kW at the wheels. A deleted part may save fuel "
              "and leave a weaker car: see the right columns.",
              f"more: fuel without it, l/100 km and per cent{mean}; a range that holds zero is a tie. forbidden: carried, not used;",
              "deleted: mass, drag and hold power gone too, with what only it reached"
              f"{'; an engine that loses its starting machine gets a starter that weighs nothing' if starter else ''}.",
              *(["Ratios are sought nearby and by fuel alone: where deleting a part saves fuel, better ones with it may be further off."]
                if result.ratios else []), f"{NO_TYPE_APPROVAL} {assumptions()}"]
    return parts


def _table(result: Worth, rows: list[Row], several: bool) -> list[RenderableType]:
    """Those that have a figure; nothing where none has."""
    base = sum(bar.value for bar in result.base.values()) / len(result.base)
    cells = [(r.part, WORDS[r.what], r.how, f"{r.bar.value:+.3f}", f"{100.0 * r.bar.value / base:+.1f} %", _range(r.bar),
              "tie" if r.tie else "", *(_number(r.ability[key]) if r.ability else "" for key in ABILITY), _cycles(r, several))
             for r in rows if r.used and r.bar is not None]
    if not cells:
        return []
    headings = ("part", "", "how", "more", "", "range", "", "0-100 s", "grade %", "kW", "")
    shown = [i for i in range(len(headings)) if i < 6 or any(row[i] for row in cells)]
    right = (False, False, False, True, True, True, False, True, True, True, False)
    return [columns([[row[i] for i in shown] for row in cells], [right[i] for i in shown], [headings[i] for i in shown])]


def _needed(result: Worth, rows: list[Row]) -> list[str]:
    """What the layout cannot do without, and why."""
    needed = [r for r in rows if r.bar is None]
    told = [f"  cannot do without {r.part} ({WORDS[r.what]}): {r.why}" for r in needed]
    if not result.ratios and any(r.what == HARDWARE and NO_DRIVE not in r.why for r in needed):
        told.append("  deleted: at the ratios the layout has; --ratios looks for others with which it might do")
    return told


def _unused(rows: list[Row]) -> list[str]:
    names = sorted({r.part for r in rows if not r.used})
    return [f"  the optimum does not use {times(len(names), 'other')}: {', '.join(names)}"] if names else []


def _range(bar: Bar) -> str:
    return f"{bar.low:+.3f} to {bar.high:+.3f}"


def _cycles(row: Row, several: bool) -> str:
    return ", ".join(f"{cycle} {bar.value:+.3f}" for cycle, bar in row.by_cycle.items()) if several else ""


def _number(value: float | None) -> str:
    return "never" if value is None else f"{value:.1f}"


def plot_worth(result: Worth, ax: Axes | None = None) -> Axes:
    """More fuel without each part, kind by kind: full bars forbidden, hatched deleted, grey a tie; strokes are error bars."""
    from ems.present.axes import listed, new_axes
    from ems.present.palette import ENGINE, INK, MACHINES, QUIET

    rows = _drawn(result)
    ax = ax or new_axes(_height(rows), 8.5)
    for i, row in enumerate(rows):
        assert row.bar is not None
        colour = QUIET if row.tie else ENGINE if row.bar.value > 0.0 else MACHINES[0]
        hatch = "///" if row.what == HARDWARE else ""
        ax.barh(i, row.bar.value, height=0.66, color=colour, hatch=hatch, edgecolor="#ffffff", linewidth=0.4)
        ax.plot([row.bar.low, row.bar.high], [i, i], color=INK, linewidth=1.4)
    for i in [i for i in range(1, len(rows)) if rows[i].kind != rows[i - 1].kind]:
        ax.axhline(i - 0.5, color=QUIET, linewidth=0.6)
    ax.axvline(0.0, color=INK, linewidth=0.8)
    listed(ax, [f"{r.part}, {WORDS[r.what]}" for r in rows],
           "more fuel without it [l/100 km]; hatched: deleted with its mass, drag and hold power; grey: a tie; stroke: error bar",
           f"{result.layout.name} on {', '.join(result.base)}")
    return ax


def _drawn(result: Worth) -> list[Row]:
    return [r for r in result.rows if r.bar is not None and r.used]


def _height(rows: list[Row]) -> float:
    return 1.2 + 0.24 * max(len(rows), 1)


def save_worth_figure(result: Worth, path: Path) -> None:
    """The figure as a file."""
    from ems.present.axes import save_axes

    save_axes(path, 9.0, _height(_drawn(result)), lambda ax: plot_worth(result, ax))
