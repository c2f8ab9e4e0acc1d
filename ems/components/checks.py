"""Checks of maps and curves, row by row, with the line of every mistake."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ems.components.csvfile import Columns
from ems.errors import InputError, Mistake, Mistakes
from ems.types import Array, BoolArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Rectangle:
    """A full rectangular grid found in the rows of a table.

    x, y : (n,), (m,) axes, strictly increasing
    row  : (n, m) row of the table that holds each node
    """

    x: Array
    y: Array
    row: IntArray


def rectangle(table: Columns, x_name: str, y_name: str, mistakes: Mistakes) -> Rectangle | None:
    """The grid whose nodes are the table's rows, in any order; None when it has gaps or repeats.

    Every missing node is named by its two values, every repeated one by the lines that hold it.
    """
    before = len(mistakes.found)
    x, x_index = np.unique(table[x_name], return_inverse=True)
    y, y_index = np.unique(table[y_name], return_inverse=True)
    for axis, name in ((x, x_name), (y, y_name)):
        if axis.size < 2:
            mistakes.add(table.where, f"column {name}", f"{axis[0]:g} only", "at least two different values")
    row = np.full((x.size, y.size), -1, dtype=np.int64)
    for i, (j, k) in enumerate(zip(x_index, y_index, strict=True)):
        if row[j, k] >= 0:
            found = f"{x_name} {x[j]:g}, {y_name} {y[k]:g} again (first in line {table.line_numbers[row[j, k]]})"
            mistakes.add(table.where, f"line {table.line_numbers[i]}", found, "each point once; remove one of the two")
        else:
            row[j, k] = i
    for j, k in np.argwhere(row < 0):
        mistakes.add(table.where, f"{x_name} {x[j]:g}, {y_name} {y[k]:g}", "no row (a gap in the map)",
                     f"a row for every {y_name} at every {x_name}")
    return None if len(mistakes.found) > before else Rectangle(x, y, row)


def check_rows(
    table: Columns, column: str, wrong: BoolArray, expected: str | Callable[[int], str], mistakes: Mistakes,
    found: Callable[[int], str] | None = None,
) -> None:
    """One mistake for every row where ``wrong``; ``found`` and ``expected`` may depend on the row."""
    for i in np.flatnonzero(wrong):
        value = found(int(i)) if found else f"{table[column][i]:g}"
        mistakes.add(table.where, table.place(int(i), column), value, expected if isinstance(expected, str)
                     else expected(int(i)))


def check_increasing(table: Columns, column: str, mistakes: Mistakes) -> None:
    """An axis that must increase strictly from row to row."""
    values = table[column]
    if values.size < 2:
        mistakes.add(table.where, f"column {column}", f"{values.size} row", "at least two rows")
    wrong = np.concatenate([[False], np.diff(values) <= 0])
    check_rows(table, column, wrong, lambda i: f"more than {values[i - 1]:g} of the row before; sort and drop repeats",
               mistakes)


def check_axis_covers(
    table: Columns, column: str, low: float, high: float, of_what: str, mistakes: Mistakes
) -> None:
    """Every value of a column within the range of another map: nothing is extrapolated."""
    values = table[column]
    check_rows(table, column, (values < low) | (values > high),
               f"{low:g} to {high:g}, the range of {of_what}: maps are not extrapolated", mistakes)


def check_covered(
    place: tuple[str, str], value: float, unit: str, low: float, high: float, of_what: str, mistakes: Mistakes
) -> None:
    """One value within the range of a map."""
    if not low <= value <= high:
        mistakes.add(*place, f"{value:g} {unit}",
                     f"{low:g} to {high:g} {unit}, the range of {of_what}: maps are not extrapolated")


def check_scale(rated_power_W: float, where: str, key: str) -> None:
    """Raise ``InputError`` for a rating that no map can be scaled to."""
    if not (np.isfinite(rated_power_W) and rated_power_W > 0):
        raise InputError([Mistake(where, key, f"{rated_power_W / 1e3:g} kW", "a rating above zero")])
