"""Sections of a page that need no time axis: a finding, a figure, tables. All words of a user's are escaped by the template."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ems.present.page.charts import Chart

Cells = Sequence[str]


@dataclass(frozen=True, slots=True)
class Table:
    """A table; the first cell of each row is its heading.

    head : words of all columns        numeric : which are numbers
    folded : shown on request only, under this word        above : words of its own above it
    """

    head: Cells
    rows: Sequence[Cells]
    numeric: Sequence[bool]
    folded: str = ""
    above: str = ""


@dataclass(frozen=True, slots=True)
class Section:
    """A section.

    name : id on the page        finding : what it shows, in a sentence
    notes : how to read it        text : of a file, shown as it is
    """

    name: str
    title: str
    finding: str = ""
    charts: Sequence[Chart] = ()
    tables: Sequence[Table] = ()
    notes: Sequence[str] = ()
    text: str = ""


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


def solved(result: Mapping[str, Any], optima: int | None = None) -> list[tuple[str, str]]:
    """What was solved, with which grids, as a fact of a head; empty where the result does not say.

    result : as ``result.json`` says it: ``grid`` of one optimum, or in ``inputs`` what many were solved with      optima : how many
    """
    grid, inputs = result.get("grid"), result.get("inputs", {})
    many = [] if optima is None else [f"{optima} {'optimum' if optima == 1 else 'optima'}"]
    if grid is not None:
        many += [f"{grid['nodes']} discrete states, {grid['points']} table points, {grid['battery_nodes']} nodes of charge",
                 f"{grid['lanes']} lanes of free engine speed"]
    else:
        options = {**inputs, **inputs.get("options", {})}
        factor, lanes = options.get("grid_factor", options.get("grid", 1)), options.get("lanes")
        many += ["the default table grids" if factor == 1 else f"table grids {factor} times as fine as by default"] if inputs else []
        many += [f"{lanes} lanes of free engine speed"] if lanes else []
    return [("Solved", ", ".join(many))] if many else []


def above_floor(fuel: float, floor: float, who: str) -> str:
    """'; the optimum is 22 % above it'; empty without a floor to speak of."""
    return f"; {who} is {100.0 * (fuel / floor - 1.0):.0f} % above it" if floor > 0.0 else ""
