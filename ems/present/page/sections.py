"""Sections of a page that need no time axis: a finding, a figure, tables. All words of a user's are escaped by the template."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ems.present.page.charts import Chart

Cells = Sequence[str]


@dataclass(frozen=True, slots=True)
class Table:
    """A table; the first cell of each row is its heading.

    head : words of all columns        numeric : which are numbers        folded : shown on request only, under this word
    """

    head: Cells
    rows: Sequence[Cells]
    numeric: Sequence[bool]
    folded: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A section.

    name : id on the page        finding : what it shows, in a sentence        notes : how to read it
    """

    name: str
    title: str
    finding: str = ""
    charts: Sequence[Chart] = ()
    tables: Sequence[Table] = ()
    notes: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Head:
    """The top of a page.

    over : what was looked at, and on what        big, unit : the figure        answer : in one sentence        facts : (word, value)
    """

    title: str
    over: tuple[str, str]
    big: str
    unit: str
    answer: str
    facts: Sequence[tuple[str, str]]


def table(head: Cells, rows: Sequence[Cells], words: int = 1, folded: str = "") -> Table:
    """A table whose first ``words`` columns are words and all others numbers."""
    return Table(head, rows, [i >= words for i in range(len(head))], folded)


def litres(value: float | None, signed: bool = False) -> str:
    """'4.703'; a dash where there is no figure."""
    return "–" if value is None else f"{value:+.3f}" if signed else f"{value:.3f}"


def seconds(value: float | None) -> str:
    """'9.2 s'; never where it is not reached."""
    return "never" if value is None else f"{value:.1f} s"
