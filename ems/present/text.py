"""Pieces of terminal text that several commands share: tables without frames, bars, numbers, durations."""

from __future__ import annotations

import math
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
    made.add_column()
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


def within(percent: float) -> str:
    """An error bar in percent, rounded up to two digits, never finer than a thousandth: '0.017 %', '1.3 %'."""
    if percent <= 0.001:
        return "0.001 %"
    unit = 10.0 ** max(math.floor(math.log10(percent)) - 1, -3)
    return f"{math.ceil(percent / unit - 1e-9) * unit:.4g} %"


def clock(seconds: float) -> str:
    """'30 min 00 s', '45 s'."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s" if minutes else f"{rest} s"


def times(number: int, thing: str) -> str:
    """'1 start', '3 starts'."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def listed(names: Sequence[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else "none"
