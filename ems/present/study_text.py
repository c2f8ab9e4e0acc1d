"""A study on the terminal: how a run ended, the table, best cases."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from ems.present.optimum_text import NO_TYPE_APPROVAL
from ems.present.text import columns, times
from ems.quantities import unit_from_name
from ems.studies.results import CASE, STATE, Study
from ems.studies.run import Ran, in_time

if TYPE_CHECKING:
    from rich.console import RenderableType

TIES = "Cases that differ by less than gap_percent and table_error_percent together are ties."
USUAL = ("fuel_l_per_100km", "gap_percent", "table_error_percent", "engine_starts", "ecms.equal_charge_l_per_100km", "ecms.gap_percent",
         "strategy.equal_charge_l_per_100km", "strategy.gap_percent", "capability.time_0_100_s", "capability.start_grade_percent")
"""Columns shown when none are asked for, of those there are"""
NARROW = 6      # result columns shown of a study that has none of the usual ones


def counts_text(counts: dict[str, int]) -> str:
    """'216 cases: 210 done, 6 failed'; what is nothing is left out."""
    words = {"done": "done", "not followed": "that the layout cannot follow", "failed": "failed", "open": "not solved yet"}
    parts = [f"{number} {words[state]}" for state, number in counts.items() if number]
    return f"{times(sum(counts.values()), 'case')}: {', '.join(parts) or 'none'}"


def ran_text(ran: Ran) -> list[RenderableType]:
    """What ``ems batch run`` prints."""
    counts = {"done": ran.done, "not followed": ran.not_followed, "failed": ran.failed, "open": ran.left}
    lines: list[RenderableType] = [f"{ran.study}: {counts_text(counts)}"]
    if ran.solved:
        share = 100.0 * ran.busy_s / (ran.seconds * ran.workers) if ran.seconds > 0.0 else 0.0
        lines.append(f"  {ran.solved} solved now in {in_time(ran.seconds)} on {times(ran.workers, 'worker')}, which were solving "
                     f"{min(share, 100.0):.0f} % of it; up to {ran.memory_MB:.0f} MB a worker")
    else:
        lines.append("  stopped before any was solved" if ran.left else "  nothing was left to solve")
    if ran.failed:
        lines.append("  Why cases failed is in the column message; --again solves them anew.")
    lines.append("  Stopped before the end: the same command continues." if ran.left else
                 f"  Table, best cases, fronts, a page: `ems batch show {ran.folder}`.")
    return [*lines, NO_TYPE_APPROVAL]


def shown_columns(study: Study, asked: Sequence[str]) -> list[str]:
    """Columns of the table as it is printed: what differs, and what was asked for or the usual ones; a state when one is not done."""
    there = [c for c in study.headings if c not in (*CASE, *STATE, *study.varied)]
    usual = [c for c in there if c.partition("@")[0] in (*USUAL, *study.require)] or there[:NARROW]
    if any("@" in c for c in there):
        usual = [c for c in there if c.partition("@")[0] == "fuel_l_per_100km"] or usual
    state = ["status"] * any(row["status"] != "done" for row in study.rows) + ["broken"] * any(row["broken"] for row in study.rows)
    differing = [c for c in (*CASE[1:], *study.varied) if c == "cycle" or len({str(row.get(c)) for row in study.rows}) > 1]
    return [CASE[0], *differing, *(asked or usual), *state]


def table_text(study: Study, asked: Sequence[str] = (), *, most_rows: int | None = None) -> list[RenderableType]:
    """The table in columns; ``most_rows`` cuts it and says so."""
    names = shown_columns(study, asked)
    rows = study.rows if most_rows is None else study.rows[:most_rows]
    right = [is_numeric(study, name) for name in names]
    made: list[RenderableType] = [columns([[cell(row.get(name), name) for name in names] for row in rows], right, names)]
    if len(rows) < len(study.rows):
        made.append(f"  and {len(study.rows) - len(rows)} more: --csv or --json show all, --best COLUMN the best")
    return made


def is_numeric(study: Study, name: str) -> bool:
    """Whether a column holds numbers."""
    return any(isinstance(row.get(name), int | float) and not isinstance(row.get(name), bool) for row in study.rows)


def cell(value: Any, name: str) -> str:
    """A value of a column as a table shows it: five significant digits, two of a percentage, nothing for nothing."""
    if isinstance(value, float):
        return f"{value:.2g}" if unit_from_name(name) == "%" else f"{value:.5g}"
    return "" if value is None else str(value)


def show_text(study: Study, parts: Sequence[tuple[str, Study]], asked: Sequence[str], most_rows: int | None) -> list[RenderableType]:
    """What ``ems batch show`` prints: the study, then each part under its heading."""
    from rich.text import Text

    lines: list[RenderableType] = [Text.assemble((study.name, "bold"), f"   {counts_text(study.counts())}")]
    if study.require:
        met = sum(row["meets"] is True for row in study.rows)
        others = "; the others are marked in the column broken" if met < len(study.rows) else ""
        lines.append(f"  {met} meet every requirement{others}")
    for heading, part in parts:
        lines += ["", *([heading] if heading else []), *table_text(part, asked, most_rows=most_rows)]
    return [*lines, "", *([TIES] if "gap_percent" in study.headings else []), NO_TYPE_APPROVAL]
