"""Which row every axis gets: the few most promising ways."""

from __future__ import annotations

import itertools
import math

from ems.layout.model import DrawingOrder
from ems.present.drawing.axes import Skeleton, What

ROW_ORDERS = 3               # ways to give axes their rows that are annealed
EXHAUSTIVE = 5               # up to so many axes every such way is looked at


def row_orders(made: Skeleton, order: DrawingOrder) -> list[tuple[int, ...]]:
    """The most promising ways to give axes their rows, one at least without shared rows."""
    axis, count = made.axis_of(), len(made.axes)
    wanted = [axis[shaft] for shaft in order.rows if shaft in axis]
    if wanted:
        wanted = list(dict.fromkeys([*wanted, *range(count)]))
        return [tuple(wanted.index(a) for a in range(count))]
    if count > EXHAUSTIVE:
        plain = _swapped(made, axis, tuple(range(count)))
        return list(dict.fromkeys([_shared(made, axis, plain), plain]))
    every = sorted((row_cost(made, axis, rows), rows) for rows in itertools.product(range(count), repeat=count)
                   if set(rows) == set(range(max(rows) + 1)))
    best = [rows for cost, rows in every[:ROW_ORDERS] if cost < math.inf]
    plain = next(rows for _, rows in every if len(set(rows)) == count)
    return list(dict.fromkeys([*best, plain]))


def row_cost(made: Skeleton, axis: dict[str, int], rows: tuple[int, ...] | list[int]) -> float:
    """Gears that skip rows cost most; the engine belongs high, the wheels low, machines near the electrical links.

    Infinite where three axes share a row, or two that a gear pair joins.
    """
    last = max(rows)
    if max(rows.count(r) for r in range(last + 1)) > 2:
        return math.inf
    cost = 1.2 * last
    for item in made.items:
        row = rows[axis[item.ports[0][1]]]
        if item.what is What.GEAR:
            apart = abs(row - rows[axis[item.ports[1][1]]])
            cost += 5.0 * (apart - 1) if apart else math.inf
        elif item.what is What.ENGINE:
            cost += 1.0 * row
        elif item.what is What.AXLE:
            cost += 1.5 * (last - row)
        elif item.what is What.MACHINE:
            cost += 0.2 * row
    return cost


def _swapped(made: Skeleton, axis: dict[str, int], rows: tuple[int, ...]) -> tuple[int, ...]:
    """Better orders by exchanging two rows until none is."""
    best = row_cost(made, axis, rows)
    improved = True
    while improved:
        improved = False
        for a, b in itertools.combinations(range(len(rows)), 2):
            tried = list(rows)
            tried[a], tried[b] = tried[b], tried[a]
            cost = row_cost(made, axis, tried)
            if cost < best - 1e-9:
                best, rows, improved = cost, tuple(tried), True
    return rows


def _shared(made: Skeleton, axis: dict[str, int], rows: tuple[int, ...]) -> tuple[int, ...]:
    """Axes moved to the rows of others as long as that is better; rows left empty close up."""
    best = row_cost(made, axis, rows)
    improved = True
    while improved:
        improved = False
        for a, row in itertools.product(range(len(rows)), range(max(rows) + 1)):
            tried = list(rows)
            tried[a] = row
            used = sorted(set(tried))
            closed = tuple(used.index(r) for r in tried)
            cost = row_cost(made, axis, closed)
            if cost < best - 1e-9:
                best, rows, improved = cost, closed, True
                break
    return rows
