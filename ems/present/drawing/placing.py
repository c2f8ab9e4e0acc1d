"""Where everything in a drawing goes: axes to rows, items from left to right, which way each is turned.

``rows`` proposes, ``search`` anneals, ``legality`` judges. What is still illegal after that is told in words: a shaft is cut
(``Skeleton.told``).
"""

from __future__ import annotations

import math

from ems.layout.model import DrawingOrder
from ems.present.drawing.axes import Skeleton
from ems.present.drawing.drums import with_drums
from ems.present.drawing.legality import clashing_ports
from ems.present.drawing.placement import Placement
from ems.present.drawing.rows import row_orders
from ems.present.drawing.search import SHARED, Search

QUICK = 0.25                 # share of the steps while it is still looked for what can be drawn at all


def place(made: Skeleton, order: DrawingOrder | None = None) -> Placement:
    """The best placement found; where something must still not overlap, a port's shaft is told in words instead."""
    whole, placement = made, _best(made, order or DrawingOrder(), 1.0)
    if not clashing_ports(placement):
        return placement
    while ports := clashing_ports(placement):
        made = min((made.told(key, role) for key, role in ports), key=lambda other: _fault(other, placement))
        placement = _best(made, order or DrawingOrder(), QUICK)
    better = _best(made, order or DrawingOrder(), 1.0)
    return with_drums(whole, placement if clashing_ports(better) else better)


def _best(made: Skeleton, order: DrawingOrder, effort: float) -> Placement:
    """The best over the ways to give axes their rows; one that cannot win any more is left out."""
    found: tuple[float, Placement] | None = None
    for rows in row_orders(made, order):
        search = Search(made, rows, order)
        if found is None or search.row_cost < found[0]:
            candidate = search.anneal(effort)
            if found is None or candidate[0] < found[0]:
                found = candidate
            if effort < 1.0 and found[0] < SHARED:
                break
    assert found is not None
    return found[1]


def _fault(other: Skeleton, placement: Placement) -> float:
    """What the same places cost for a skeleton that differs in one port."""
    if len(other.axes) != len(placement.rows):
        return math.inf
    search = Search(other, placement.rows, DrawingOrder())
    return search.cost(placement.x, placement.turns)
