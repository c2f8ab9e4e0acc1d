"""How every figure of ours looks: axes without a box, small text beside them; no pyplot but in a notebook."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ems.present.palette import INK, QUIET

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


LETTERS_AN_INCH = 11.0      # of a label below axes


def new_axes(height: float, width: float = 11.0) -> Axes:
    """Axes in a figure of their own, inches."""
    return new_figure(width, height).subplots()


def new_figure(width: float, height: float) -> Figure:
    """A figure, inches; in a notebook one of pyplot's, so that it appears below the cell."""
    if in_notebook():
        from matplotlib import pyplot

        return pyplot.figure(figsize=(width, height), layout="constrained")
    return plain_figure(width, height)


def plain_figure(width: float, height: float) -> Figure:
    """A figure that nothing but its file shows, inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def in_notebook() -> bool:
    """Whether this runs in the kernel of a notebook."""
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return hasattr(shell, "kernel")


def dress(ax: Axes, ylabel: str, title: str) -> None:
    """Label, finding as the title, thin spines, grid lines upwards."""
    ax.set_ylabel(ylabel, fontsize=9, color=INK)
    ax.set_title(title, loc="left", fontsize=10, color=INK)
    ax.tick_params(labelsize=8, colors=INK)
    ax.margins(x=0.0)
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(QUIET)
    ax.grid(axis="x", color=QUIET, linewidth=0.4)
    ax.set_axisbelow(True)


def plain(ax: Axes, xlabel: str, title: str) -> None:
    """Label below, finding or case as the title, no box."""
    ax.set_xlabel(xlabel)
    ax.set_title(title, loc="left", fontsize=11, color=INK)
    ax.spines[["top", "right"]].set_visible(False)
    ax.tick_params(labelsize=9)


def listed(ax: Axes, names: Sequence[str], xlabel: str, title: str) -> None:
    """Bars that lie below one another, the first on top, their names at the left; a long label in the lines that the axes have room for."""
    ax.set_yticks(range(len(names)), list(names))
    ax.set_ylim(len(names) - 0.4, -0.6)
    longest = max((len(name) for name in names), default=0)
    room = ax.figure.get_figure(root=True).get_size_inches()[0] * LETTERS_AN_INCH - longest
    plain(ax, "\n".join(textwrap.wrap(xlabel, max(int(room), 30))), title)


def save_axes(path: Path, width: float, height: float, draw: Callable[[Axes], object]) -> None:
    """A file with one pair of axes, inches."""
    from matplotlib import rc_context

    with rc_context({"hatch.linewidth": 0.6}):
        figure = plain_figure(width, height)
        draw(figure.subplots())
        figure.savefig(path, dpi=130)


def beside(ax: Axes, at: float, words: str, x: float = 1.01) -> None:
    """Small text to the right of the axes at a height of the data."""
    ax.text(x, at, words, transform=ax.get_yaxis_transform(), va="center", fontsize=8, color=INK)
