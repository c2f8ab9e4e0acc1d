"""Pieces of terminal text that several commands share: tables without frames, bars, numbers, durations."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rich.table import Table

BAR_CELLS = 24
_EIGHTHS = " ▏▎▍▌▋▊▉█"


def columns(rows: Iterable[Sequence[str]], right: Sequence[bool], headings: Sequence[str] | None = None) -> Table:
    """Rows in columns without a frame, indented by two; ``right`` says which are aligned to the right."""
    from rich.table import Table
    from rich.text import Text

    made = Table(box=None, show_header=headings is not None, header_style="bold", padding=(0, 2, 0, 0), pad_edge=False)
    made.add_column(" " * 0)
    for i, aligned in enumerate(right):
        made.add_column(headings[i] if headings else "", justify="right" if aligned else "left", overflow="fold")
    for row in rows:
        made.add_row("", *(Text(cell) for cell in row))
    return made


def bar(share: float, cells: int = BAR_CELLS) -> str:
    """A bar for a share of one, in eighths of a character cell; something to see for anything above zero."""
    eighths = round(min(max(share, 0.0), 1.0) * cells * 8)
    if share > 0.0:
        eighths = max(eighths, 1)
    full, rest = divmod(eighths, 8)
    return "█" * full + (_EIGHTHS[rest] if rest else "")


def percent(value: float) -> str:
    """A small error in percent with two significant digits: '0.016 %', '1.2 %', 'below 0.001 %'."""
    if abs(value) < 0.001:
        return "0.001 %" if value > 0.0005 else "less than 0.001 %"
    return f"{value:.2g} %"


def clock(seconds: float) -> str:
    """'30 min 00 s', '45 s'."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def times(number: int, thing: str) -> str:
    """'1 start', '3 starts'."""
    return f"{number} {thing}{'' if number == 1 else 's'}"
