"""Gears of a dog shifter in the order of its positions: whole groups exchanged or turned round after the search, which moves single items.

A group is a sleeve with the gears it engages.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence

from ems.present.drawing.axes import Skeleton, What

Candidate = tuple[list[int], list[int]]          # items from left to right; which way each is turned
MOST_TURNS = 64


def groups(made: Skeleton) -> dict[str, list[list[int]]]:
    """Shifter -> its sleeves in the order of the file, each followed by the gears it engages, in the order of its positions."""
    found: dict[str, list[list[int]]] = {}
    for s, sleeve in enumerate(made.items):
        if sleeve.what is What.SHIFTER:
            targets = [piece for role, piece in sleeve.ports if role.startswith("position")]
            gears = [i for piece in targets for i, gear in enumerate(made.items)
                     if gear.what is What.GEAR and any(own == piece for _, own in gear.ports)]
            found.setdefault(sleeve.name, []).append([s, *dict.fromkeys(gears)])
    return found


def wanted(made: Skeleton) -> list[tuple[int, int]]:
    """Pairs of gears of one shifter of which the first reads better left of the second."""
    gears = [[i for _, *own in sleeves for i in own] for sleeves in groups(made).values()]
    return [pair for own in gears for pair in itertools.combinations(dict.fromkeys(own), 2)]


def readable(made: Skeleton, options: Sequence[int], cost: Callable[[Candidate], float], start: Candidate) -> Candidate:
    """The cheapest candidate that exchanging groups of a shifter, or turning one round, leads to step by step.

    options : ways in which each item can be turned
    """
    best, price = start, cost(start)
    better = True
    while better:
        better = False
        for tried in _neighbours(made, options, best):
            found = cost(tried)
            if found < price - 1e-9:
                best, price, better = tried, found, True
                break
    return best


def _neighbours(made: Skeleton, options: Sequence[int], at: Candidate) -> Iterator[Candidate]:
    order, turns = at
    place = {item: n for n, item in enumerate(order)}
    for sleeves in groups(made).values():
        blocks = [sorted(set(block), key=lambda i: place[i]) for block in sleeves]
        for one, two in itertools.combinations(blocks, 2):
            if not set(one) & set(two):
                first, second = sorted((one, two), key=lambda block: place[block[0]])
                yield _placed(order, [*first, *second], [*second, *first]), turns
        for block in blocks:
            swapped = _placed(order, block, block[::-1])
            ways = itertools.product(*(range(options[i]) for i in block))
            for way in itertools.islice(ways, MOST_TURNS):
                turned = list(turns)
                for i, turn in zip(block, way, strict=True):
                    turned[i] = turn
                yield swapped, turned


def _placed(order: Sequence[int], members: Sequence[int], anew: Sequence[int]) -> list[int]:
    """The order with the members' places filled anew."""
    places = sorted(order.index(i) for i in members)
    out = list(order)
    for place, item in zip(places, anew, strict=True):
        out[place] = item
    return out
