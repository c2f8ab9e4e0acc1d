"""Where everything in a drawing goes: axes to rows, items from left to right, which way each is turned.

``rows`` proposes, ``search`` anneals, ``legality`` judges. What is illegal after a short search is searched for longer, then tried with
drums; what is still illegal after that is told in words: a shaft is cut (``Skeleton.told``).
"""

from __future__ import annotations

import math

from ems.layout.model import DrawingOrder
from ems.present.drawing.axes import Skeleton, What
from ems.present.drawing.drums import with_drums
from ems.present.drawing.legality import clashing_ports
from ems.present.drawing.placement import Placement
from ems.present.drawing.rows import row_orders
from ems.present.drawing.search import SHARED, Search

QUICK = 0.25                 # share of the steps while it is still looked for what can be drawn at all
PATIENT = 4.0                # times the steps where the usual search finds nothing legal
TRIED, FEW = 12, 10          # drums that are tried, one at a time; ports in illegal overlaps up to which that and patience are worth it


def place(made: Skeleton, order: DrawingOrder | None = None) -> Placement:
    """The best placement found; where something must still not overlap, a port's shaft is told in words instead."""
    order = order or DrawingOrder()
    whole, placement = made, _best(made, order, 1.0)
    clash = clashing_ports(placement)
    if not clash:
        return placement
    if len(clash) <= FEW:
        patient = _best(made, order, PATIENT)
        other = _by_drums(patient, order) if clashing_ports(patient) else patient
        if not clashing_ports(other):
            return other
    while ports := clashing_ports(placement):
        made = min((made.told(key, role) for key, role in ports), key=lambda other: _fault(other, placement))
        placement = _best(made, order, QUICK)
    better = _best(made, order, 1.0)
    return with_drums(whole, placement if clashing_ports(better) else better)


def _by_drums(placement: Placement, order: DrawingOrder) -> Placement:
    """The first legal placement with a drum to a port that takes part in an illegal overlap, clutches' ports first; else the one given."""
    clash = set(clashing_ports(placement))
    drums = sorted((drum for drum in placement.skeleton.drums() if drum[:2] in clash), key=lambda drum: not drum[0].startswith(What.CLUTCH))
    for drum in drums[:TRIED]:
        found = _best(placement.skeleton.drummed(*drum), order, 1.0)
        if not clashing_ports(found):
            return found
    return placement


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
