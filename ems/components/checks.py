"""Checks of maps and curves, row by row, with the line of every mistake."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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


def rectangle(table: Columns, x_name: str, y_name: str, mistakes: Mistakes, hint: str = "") -> Rectangle | None:
    """The grid whose nodes are the table's rows, in any order; None when it has gaps or repeats.

    hint : what else may be done about a gap
    Every missing node is named by its two values, every repeated one by the lines that hold it.
    """
    before = len(mistakes.found)
    read = np.flatnonzero(np.isfinite(table[x_name]) & np.isfinite(table[y_name]))
    x, x_index = np.unique(table[x_name][read], return_inverse=True)
    y, y_index = np.unique(table[y_name][read], return_inverse=True)
    for axis, name in ((x, x_name), (y, y_name)):
        if axis.size == 1:
            mistakes.add(table.where, f"column {name}", f"{axis[0]:g} only", "at least two different values")
    check_repeats(table, (x_name, y_name), "each point once; remove one of the two", mistakes)
    row = np.full((x.size, y.size), -1, dtype=np.int64)
    row[x_index, y_index] = read
    if read.size < table.line_numbers.size:    # gaps may be the rows that could not be read, told already
        return None
    for j, k in np.argwhere(row < 0):
        mistakes.add(table.where, f"{x_name} {x[j]:g}, {y_name} {y[k]:g}", "no row (a gap in the map)",
                     f"a row for every {y_name} at every {x_name}" + (f"; {hint}" if hint else ""))
    return None if len(mistakes.found) > before else Rectangle(x, y, row)


def check_repeats(table: Columns, names: Sequence[str], expected: str, mistakes: Mistakes) -> None:
    """Rows that repeat the values of an earlier one in all the columns named."""
    first: dict[tuple[float, ...], int] = {}
    for i, values in enumerate(zip(*(table[name] for name in names), strict=True)):
        if values in first:
            shown = ", ".join(f"{name} {value:g}" for name, value in zip(names, values, strict=True))
            found = f"{shown} again (first in line {table.line_numbers[first[values]]})"
            mistakes.add(table.where, f"line {table.line_numbers[i]}", found, expected)
        elif np.all(np.isfinite(values)):
            first[values] = i


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
    check_rows(table, column, after_before(values, np.less_equal),
               lambda i: f"more than {values[i - 1]:g} of the row before; sort and drop repeats", mistakes)


def check_not_rising(table: Columns, column: str, of_what: str, mistakes: Mistakes) -> None:
    """Values that never rise from row to row."""
    values = table[column]
    check_rows(table, column, after_before(values, np.greater), lambda i: f"at most {values[i - 1]:g} {of_what}", mistakes)


def after_before(values: Array, wrong: Callable[[Array, Array], BoolArray]) -> BoolArray:
    """Rows for which ``wrong(value, value of the row before)``; never the first."""
    return np.concatenate([[False], wrong(values[1:], values[:-1])])


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
    """One value within the range of a map (NaN: of one that could not be read)."""
    if value < low or value > high:
        mistakes.add(*place, f"{value:g} {unit}",
                     f"{low:g} to {high:g} {unit}, the range of {of_what}: maps are not extrapolated")


def check_scale(rated_power_W: float, where: str, key: str) -> None:
    """Raise ``InputError`` for a rating that no map can be scaled to."""
    if not (np.isfinite(rated_power_W) and rated_power_W > 0):
        raise InputError([Mistake(where, key, f"{rated_power_W / 1e3:g} kW", "a rating above zero")])
