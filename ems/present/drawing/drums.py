"""Words taken back: a port that is told in words can often be reached by a drum, which carries its shaft back over a clutch.

The places stay as they were found; only items that take part are turned in other ways, and the row is packed again.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence

from ems.layout.model import DrawingOrder
from ems.present.drawing.axes import DRUM, Skeleton
from ems.present.drawing.legality import clashing_ports
from ems.present.drawing.placement import Placement
from ems.present.drawing.search import Search

Change = tuple[str, ...]     # (item key, role) told in words, or (item key, role, clutch key) reached by a drum
MOST_TURNS = 300             # ways to turn the items that take part


def with_drums(whole: Skeleton, placement: Placement) -> Placement:
    """The placement with as few ports told in words as drums, or nothing at all, can replace. whole : before any was told"""
    told = changes_of(placement.skeleton)
    improved = True
    while improved:
        improved = False
        for n, change in enumerate(told):
            if len(change) > 2:
                continue
            for other in _instead(whole, change):
                tried = [*told[:n], *other, *told[n + 1:]]
                found = _turned(changed(whole, tried), placement, {change[0], *(c[2] for c in other)})
                if found is not None:
                    placement, told, improved = found, tried, True
                    break
            if improved:
                break
    return placement


def changes_of(made: Skeleton) -> list[Change]:
    """What was done to a skeleton, in the order in which it was done."""
    out: dict[int, Change] = {}
    for item in made.items:
        for role, _ in item.apart:
            out[made.pieces.index(dict(item.ports)[role])] = (item.key, role)
        if item.drum is not None:
            key, role = next((i.key, r) for i in made.items for r, p in i.ports if p == item.drum and r != DRUM)
            out[made.pieces.index(item.drum)] = (key, role, item.key)
    return [out[n] for n in sorted(out)]


def changed(made: Skeleton, changes: Sequence[Change]) -> Skeleton:
    """A skeleton after changes; ``StopIteration`` or ``KeyError`` where there is no such port."""
    for key, role, *over in changes:
        made = made.drummed(key, role, *over) if over else made.told(key, role)
    return made


def _instead(whole: Skeleton, change: Change) -> Iterator[list[Change]]:
    """Nothing at all, or a drum over one of the clutches on the same shaft."""
    yield []
    for key, role, over in whole.drums():
        if (key, role) == change:
            yield [(key, role, over)]


def _turned(made: Skeleton, placement: Placement, keys: set[str]) -> Placement | None:
    """A legal placement in the same rows and order, the items of some keys and the clutches beside them turned as need be."""
    if len(made.axes) != len(placement.rows):
        return None
    search = Search(made, placement.rows, DrawingOrder())
    pieces = {p for item in made.items if item.key in keys for _, p in item.ports}
    part = [i for i, item in enumerate(made.items)
            if item.key in keys or (item.what.value == "clutch" and pieces & {p for _, p in item.ports})]
    order = sorted(range(len(made.items)), key=lambda i: placement.x[i])
    best: tuple[float, Placement] | None = None
    for turns in itertools.islice(itertools.product(*(range(len(search.shapes[i])) for i in part)), MOST_TURNS):
        all_turns = list(placement.turns)
        for i, turn in zip(part, turns, strict=True):
            all_turns[i] = turn
        x = search.pack(order, all_turns)
        cost = search.cost(x, all_turns)
        found = Placement(made, placement.rows, tuple(x), tuple(all_turns), search.bus_on_top)
        if (best is None or cost < best[0]) and math.isfinite(cost) and not clashing_ports(found):
            best = cost, found
    if best is None:
        return None
    x = search.drawn_together(order, best[1].turns, list(best[1].x))
    drawn = Placement(made, placement.rows, tuple(x), best[1].turns, search.bus_on_top)
    return best[1] if clashing_ports(drawn) else drawn
