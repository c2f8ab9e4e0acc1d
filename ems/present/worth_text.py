"""What every part is worth, as a person reads it: dearest first within its kind."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ems.judge.worth import CONTROL, KINDS
from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.text import columns, times

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.judge.bars import Bar
    from ems.judge.worth import Row, Worth

HEADINGS = {"clutch": "clutches", "brake": "brakes", "shifter": "shifters", "position": "shifter positions", "gear": "gear pairs",
            "machine": "machines", "configuration": "configurations", "machines together": "machines that work together"}


def worth_text(result: Worth) -> list[RenderableType]:
    """Everything ``ems worth`` prints."""
    from rich.text import Text

    base = ", ".join(f"{bar.value:.3f} l/100 km on {cycle}" for cycle, bar in result.base.items())
    parts: list[RenderableType] = [Text.assemble("What each part of ", (result.layout.name, "bold"), f" saves; with everything {base}"), ""]
    several = len(result.base) > 1
    for kind in KINDS:
        rows = [r for r in result.rows if r.kind == kind]
        if rows:
            parts += [Text(HEADINGS[kind], style="bold"), _table(rows, several), *_unused(rows), ""]
    ability = result.ability
    seconds, grade = _number(ability["time_0_100_s"]), _number(ability["start_grade_percent"])
    parts += [f"With everything: 0-100 km/h in {seconds} s, {grade} % to start on. A deleted part may save fuel and leave a weaker car: "
              "see 0-100 without."]
    return [*parts, "more fuel without it, l/100 km" + (", mean of the cycles" if several else "") + "; a range that holds zero is a tie. "
            "forbidden: carried, not used; deleted: mass, drag and hold power gone too.", f"{NO_TYPE_APPROVAL} {assumptions()}"]


def _table(rows: list[Row], several: bool) -> RenderableType:
    shown = [r for r in rows if r.used]
    cells = [(r.part, "forbidden" if r.what == CONTROL else "deleted", r.how if r.bar else "", *_bar(r.bar), _tie(r),
              _number(r.ability.get("time_0_100_s")) if r.ability else "", r.why if r.bar is None else _cycles(r, several)) for r in shown]
    return columns(cells, (False, False, False, True, True, False, True, False),
                   ("part", "", "how", "more fuel", "range", "", "0-100 without", ""))


def _unused(rows: list[Row]) -> list[RenderableType]:
    names = sorted({r.part for r in rows if not r.used})
    return [f"  the optimum does not use {times(len(names), 'other')}: {', '.join(names)}"] if names else []


def _bar(bar: Bar | None) -> tuple[str, str]:
    return ("cannot do without", "") if bar is None else (f"{bar.value:+.3f}", f"{bar.low:+.3f} to {bar.high:+.3f}")


def _tie(row: Row) -> str:
    return "tie" if row.tie else ""


def _cycles(row: Row, several: bool) -> str:
    return ", ".join(f"{cycle} {bar.value:+.3f}" for cycle, bar in row.by_cycle.items()) if several else ""


def _number(value: float | None) -> str:
    return "never" if value is None else f"{value:.1f}"
