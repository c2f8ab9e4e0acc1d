"""CSV files with unit-suffixed columns: maps, limit curves, battery tables, cycles.

The form: comment lines ``# key: value`` (``# source: ...`` and ``# invented: yes`` are known everywhere), a header line
with the column names, one row a line, commas between values, points in decimals.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ems.errors import InputError, Mistakes, nearest_name
from ems.inputfile import raise_capped, read_text
from ems.types import Array, IntArray

LARGEST_NUMBER = 1e15       # products of three of them are still finite


@dataclass(frozen=True, slots=True)
class Comment:
    """One ``# key: text`` line; the key in lower case, the line counted from 1."""

    line: int
    key: str
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """A table read from a file; every value is a finite number, or NaN where a mistake was told of it.

    where        : the file's name as the user knows it
    columns      : name -> (n,) values, n >= 1; all required columns, and the optional ones that were there
    line_numbers : (n,) line of each row in the file, counted from 1
    source       : text after ``# source:``, empty without one
    invented     : whether the file says ``# invented: yes``
    comments     : key -> text of every ``# key: text`` line, keys in lower case; a repeated key's first text
    comment_lines : every ``# key: text`` line in the order of the file, repeated keys too
    """

    where: str
    columns: dict[str, Array]
    line_numbers: IntArray
    source: str
    invented: bool
    comments: dict[str, str]
    comment_lines: tuple[Comment, ...]

    def __getitem__(self, name: str) -> Array:
        return self.columns[name]

    def __contains__(self, name: str) -> bool:
        return name in self.columns

    def range(self, name: str) -> tuple[float, float]:
        """Least and greatest value of a column; NaN, which no comparison finds fault with, when one could not be read."""
        return float(self.columns[name].min()), float(self.columns[name].max())

    def place(self, row: int, column: str) -> str:
        """The key of a message about one value: ``line 12, column loss_W``."""
        return f"line {self.line_numbers[row]}, column {column}"


Check = Callable[[Columns, Mistakes], None]


def read_columns(
    path: Path,
    required: Sequence[str],
    optional: Sequence[str] = (),
    *,
    where: str | None = None,
    check: Check | None = None,
    hints: Mapping[str, str] | None = None,
) -> Columns:
    """Columns of numbers from a CSV file.

    required, optional : column names that must and may be there; others are mistakes
    where              : the file's name as the user knows it; the path when None
    check              : adds what else is wrong with the values, so that all of it is told at once. It is called with
                         what could be read: NaN for a value that could not, and perhaps without a required column
    hints              : names people use -> the name to use, where likeness of spelling would mislead
    Raises ``InputError`` with every mistake (at most 20 shown): unreadable, empty, binary or larger than 20 MB;
    missing, unknown and repeated columns; ragged rows; values that are no finite numbers; no rows.
    """
    where = str(path) if where is None else where
    mistakes = Mistakes()
    table = _read(path, where, required, optional, hints or {}, mistakes)
    if table is not None and check is not None:
        check(table, mistakes)
    raise_capped(mistakes)
    assert table is not None
    return table


def collect_columns(
    path: Path, required: Sequence[str], optional: Sequence[str], *, where: str, mistakes: Mistakes
) -> Columns | None:
    """As ``read_columns``, for a reader that goes on: mistakes are collected, values that could not be read are NaN.

    None when the file cannot be read, has no rows or lacks a required column.
    """
    try:
        table = _read(path, where, required, optional, {}, mistakes)
    except InputError as error:
        mistakes.extend(error)
        return None
    return table if table is not None and all(name in table for name in required) else None


def _read(
    path: Path, where: str, required: Sequence[str], optional: Sequence[str], hints: Mapping[str, str], mistakes: Mistakes
) -> Columns | None:
    """The table, perhaps without a required column; None when there is none."""
    lines = read_text(path, where).splitlines()
    body = [(n, line) for n, line in enumerate(lines, start=1) if line.strip() and not line.lstrip().startswith("#")]
    if not body:
        mistakes.add(where, "", "comments only", f"a header line: {','.join(required)}")
        return None
    header_line, header_text = body[0]
    header, known = _cells(header_text), [*required, *optional]
    _check_header(where, header_line, header_text, header, required, optional, hints, mistakes)
    if len(body) == 1:
        mistakes.add(where, f"line {header_line}", "a header without rows", "at least one row of numbers below it")
    if len(body) == 1 or not any(name in known for name in header):
        return None
    rows = [_numbers(where, n, line, header, known, mistakes) for n, line in body[1:]]
    return _columns(where, header, known, rows, [n for n, _ in body[1:]], _comments(lines))


def _columns(
    where: str,
    header: list[str],
    known: Sequence[str],
    rows: list[list[float]],
    line_numbers: list[int],
    comment_lines: tuple[Comment, ...],
) -> Columns:
    values = np.array(rows, dtype=np.float64)
    comments = {comment.key: comment.text for comment in reversed(comment_lines)}
    return Columns(
        where=where,
        columns={name: np.ascontiguousarray(values[:, j]) for j, name in enumerate(header) if name in known},
        line_numbers=np.array(line_numbers, dtype=np.int64),
        source=comments.get("source", ""),
        invented=comments.get("invented", "").lower() in ("yes", "true"),
        comments=comments,
        comment_lines=comment_lines,
    )


def _comments(lines: Sequence[str]) -> tuple[Comment, ...]:
    """The ``# key: text`` lines; other comments are for people only."""
    pattern = re.compile(r"\s*#\s*([A-Za-z][\w -]*?)\s*:\s*(.*?)\s*$")
    matches = ((n, pattern.match(line)) for n, line in enumerate(lines, start=1))
    return tuple(Comment(n, match[1].lower(), match[2]) for n, match in matches if match)


def _cells(line: str) -> list[str]:
    return [cell.strip(" \t\"") for cell in line.split(",")]


def _check_header(
    where: str, line: int, text: str, header: list[str], required: Sequence[str], optional: Sequence[str],
    hints: Mapping[str, str], mistakes: Mistakes,
) -> None:
    key, known = f"line {line}", [*required, *optional]
    if len(header) == 1 and len(known) > 1 and re.search(r"[;\t]", text):
        mistakes.add(where, key, f"'{text.strip()[:60]}'", f"commas between columns: {','.join(required)}")
        return
    meant = set()           # by columns that are not known: each is one mistake, not also a missing column
    for name in dict.fromkeys(header):
        if header.count(name) > 1:
            mistakes.add(where, key, f"column '{name}' {header.count(name)} times", "each column once")
        if name not in known:
            nearest = hints.get(name.lower()) or nearest_name(name, [k for k in known if k not in header]) or nearest_name(name, known)
            meant.add(nearest)
            mistakes.add(where, key, f"column '{name}'", f"columns {', '.join(known)}", nearest)
    for name in required:
        if name not in header and name not in meant:
            mistakes.add(where, key, f"no column '{name}'", f"columns {', '.join(required)}",
                         nearest_name(name, [h for h in header if h not in known]))


def _numbers(
    where: str, line: int, text: str, header: list[str], known: Sequence[str], mistakes: Mistakes
) -> list[float]:
    """Values of one row, NaN where they are wrong; what is wrong goes to ``mistakes``, except in unknown columns."""
    cells = _cells(text)
    if len(cells) != len(header):
        mistakes.add(where, f"line {line}", f"{len(cells)} values", f"{len(header)}: {','.join(header)}")
        return [math.nan] * len(header)
    values = []
    for name, cell in zip(header, cells, strict=True):
        value = _number(cell)
        if math.isnan(value) and name in known:
            found = f"'{cell}'" if cell else "an empty value"
            mistakes.add(where, f"line {line}, column {name}", found, "a finite number with a decimal point, at most 1e15 in size")
        values.append(value)
    return values


def _number(cell: str) -> float:
    """The number a cell holds, NaN where it holds none, or one that no quantity of a powertrain can be."""
    try:
        value = float(cell) if "_" not in cell else math.nan
    except ValueError:
        return math.nan
    return value if abs(value) <= LARGEST_NUMBER else math.nan
