"""Tables for the terminal, all in one style."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.table import Table


def table(headings: Sequence[str], rows: Iterable[Sequence[object]], *, title: str | None = None) -> Table:
    """A table without frames; a heading that starts with '>' is aligned to the right."""
    from rich.box import SIMPLE_HEAD
    from rich.table import Table
    from rich.text import Text

    made = Table(title=title, title_justify="left", box=SIMPLE_HEAD, pad_edge=False, show_edge=False,
                 padding=(0, 1, 0, 0))
    for heading in headings:
        made.add_column(heading.lstrip(">"), justify="right" if heading.startswith(">") else "left", overflow="fold")
    for row in rows:
        made.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    return made


def key_table(rows: Sequence[Mapping[str, Any]], *first: str) -> Table:
    """Keys of a file: what each takes, unit, bounds, default and meaning; ``first`` names columns in front of them."""
    shown = [
        (*(r[name] for name in first), r["key"], r["takes"], "" if r["unit"] == "-" else r["unit"], r["bounds"],
         "required" if r["required"] else r["default"], r["meaning"])
        for r in rows
    ]
    return table((*first, "key", "takes", "unit", "bounds", "default", "meaning"), shown)
