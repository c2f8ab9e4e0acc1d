"""A placed drawing."""

from __future__ import annotations

from dataclasses import dataclass

from ems.present.drawing.axes import Item, Skeleton, What
from ems.present.drawing.sizes import Shape, shapes


@dataclass(frozen=True, slots=True)
class Placement:
    """A placed drawing.

    rows  : row of every axis, 0 at the top; two axes may share one             x : middle of every item
    turns : which of its shapes every item has          bus_on_top : electrical links run above the rows, not below
    """

    skeleton: Skeleton
    rows: tuple[int, ...]
    x: tuple[float, ...]
    turns: tuple[int, ...]
    bus_on_top: bool

    def shape(self, i: int) -> Shape:
        """The shape of item ``i``."""
        return item_shapes(self.skeleton)[i][self.turns[i]]


def item_shapes(made: Skeleton) -> list[tuple[Shape, ...]]:
    """Every way each item can be turned."""
    axis = made.axis_of()
    return [shapes(item, across=is_across(made, item, axis)) for item in made.items]


def is_across(made: Skeleton, item: Item, axis: dict[str, int]) -> bool:
    """An axle whose shaft has its axis for itself: the wheels stand at both ends of that row."""
    if item.what is not What.AXLE:
        return False
    number = axis[item.ports[0][1]]
    others = [i for i in made.items if i is not item and any(axis[p] == number for _, p in i.ports)]
    return len(made.axes[number]) == 1 and all(i.what in (What.GEAR, What.MACHINE, What.BRAKE) for i in others)
