"""Where everything in a drawing goes: axes to rows, items from left to right, which way each is turned.

Items are packed from the left in an order that is annealed with a fixed seed, a gear pair taking room in all rows between
its shafts. A piece of a shaft reaches from its first to its last port. Where two on one axis overlap, the one without a
port inside the other runs through it; if both have one, that is illegal, and a shaft is cut (``Skeleton.cut``).
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ems.present.drawing.axes import SOURCES, Item, Skeleton, What
from ems.present.drawing.sizes import AXLE_END, PLATE, SPACE, Shape, shapes

ILLEGAL, FOREIGN, WIRE_CROSSING, NESTED, OUT_OF_ORDER = 2000.0, 300.0, 25.0, 25.0, 400.0
SHARED = 20_000.0            # two axes on one row that overlap: worse than any other fault
ROW_COST = 60.0
ROW_ORDERS = 3               # ways to give axes their rows that are annealed
EXHAUSTIVE = 5               # up to so many axes every such way is looked at
STEPS_PER_ITEM, MOST_STEPS = 150, 2000
QUICK = 0.25                 # share of the steps while it is still looked for what can be drawn at all
WIRE = 5.0                   # half the room of an electrical link


@dataclass(frozen=True, slots=True)
class Order:
    """A user's own order, which overrides what is found; names as in the layout file.

    rows  : one shaft of each axis, from top to bottom        items : elements from left to right
    """

    rows: tuple[str, ...] = ()
    items: tuple[str, ...] = ()


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


Segment = tuple[float, float]
Spans = list[list[Segment]]


def place(made: Skeleton, order: Order | None = None) -> Placement:
    """The best placement found; where something must still not overlap, a port's shaft is told in words instead."""
    placement = _best(made, order or Order(), 1.0)
    if not clashing_ports(placement):
        return placement
    while ports := clashing_ports(placement):
        made = min((made.told(key, role) for key, role in ports), key=lambda other: _fault(other, placement))
        placement = _best(made, order or Order(), QUICK)
    better = _best(made, order or Order(), 1.0)
    return placement if clashing_ports(better) else better


def _best(made: Skeleton, order: Order, effort: float) -> Placement:
    """The best over the ways to give axes their rows; one that cannot win any more is left out."""
    found: tuple[float, Placement] | None = None
    for rows in _row_orders(made, order):
        search = _Search(made, rows, order)
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
    search = _Search(other, placement.rows, Order())
    return search.cost(placement.x, placement.turns)


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


# -------------------------------------------------------------------------------------------------------------- rows


def _row_orders(made: Skeleton, order: Order) -> list[tuple[int, ...]]:
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


# ------------------------------------------------------------------------------------------------------------ search


class _Search:
    """Annealing of order and turns for one order of rows."""

    def __init__(self, made: Skeleton, rows: tuple[int, ...], order: Order) -> None:
        self.made, self.rows = made, rows
        self.axis = made.axis_of()
        self.number = {piece: i for i, piece in enumerate(made.pieces)}
        self.shapes = item_shapes(made)
        machines = [rows[self.axis[i.ports[0][1]]] for i in made.items if i.what is What.MACHINE]
        self.count = max(rows) + 1
        self.bus_on_top = sum(machines) <= sum(self.count - 1 - row for row in machines)
        self.across = [axis for i in made.items if is_across(made, i, self.axis) for axis in [self.axis[i.ports[0][1]]]]
        self.sharing = [(a, b) for a, b in itertools.combinations(range(len(rows)), 2) if rows[a] == rows[b]]
        self.members = [[i for i, item in enumerate(made.items) if any(self.axis[p] == a for _, p in item.ports)]
                        for a in range(len(rows))]
        self.lanes = [[self._lanes(item, shape) for shape in options]
                      for item, options in zip(made.items, self.shapes, strict=True)]
        self.ports = [[self._ports(item, shape) for shape in options]
                      for item, options in zip(made.items, self.shapes, strict=True)]
        self.pairs = [(self.number[a], self.number[b]) for axis in made.axes for a, b in itertools.combinations(axis, 2)]
        self.on_row = [[self.number[p] for a, axis in enumerate(made.axes) if rows[a] == r for p in axis]
                       for r in range(self.count)]
        self.crossed = [self._crossed(item) for item in made.items]
        self.inversions = self._wanted(order)
        self.near = {i for i, item in enumerate(made.items) if item.what is What.MACHINE
                     and self.axis[item.ports[0][1]] == self.axis[made.items[0].ports[0][1]]}
        self.row_cost = ROW_COST * row_cost(made, self.axis, rows)

    def _row(self, piece: str) -> int:
        return self.rows[self.axis[piece]]

    def _lanes(self, item: Item, shape: Shape) -> list[tuple[int, float, float]]:
        """(lane, left, right): row r is lane 2 r + 1, the gap below it 2 r + 2, the one above the first row 0."""
        rows = sorted(self._row(piece) for _, piece in item.ports)
        if item.what is What.GEAR:
            narrow = PLATE + 2.0
            lanes = {lane: (narrow, narrow) for lane in range(2 * rows[0], 2 * rows[1] + 3)}
            lanes[2 * rows[0] + 2] = shape.label
            return [(lane, left, right) for lane, (left, right) in lanes.items()]
        own = (2 * rows[0] + 1, shape.left, shape.right)
        if item.what is What.MACHINE:
            beyond = range(2 * rows[0] + 1) if self.bus_on_top else range(2 * rows[0] + 2, 2 * self.count + 1)
            return [own, *((lane, WIRE, WIRE) for lane in beyond)]
        return [own]

    def _ports(self, item: Item, shape: Shape) -> list[tuple[int, float]]:
        pieces = dict(item.ports)
        return [(self.number[pieces[role]], offset) for role, offset in shape.ports]

    def _crossed(self, item: Item) -> tuple[float, list[int]]:
        """What a crossing costs, and the pieces on rows that the item crosses."""
        rows = sorted(self._row(piece) for _, piece in item.ports)
        if item.what is What.GEAR:
            return FOREIGN, [p for r in range(rows[0] + 1, rows[1]) for p in self.on_row[r]]
        if item.what is What.MACHINE:
            beyond = range(rows[0]) if self.bus_on_top else range(rows[0] + 1, self.count)
            return WIRE_CROSSING, [p for r in beyond for p in self.on_row[r]]
        return 0.0, []

    def _wanted(self, order: Order) -> list[tuple[int, int]]:
        """Pairs of items of which the first is wanted left of the second."""
        names = [item.name for item in self.made.items]
        wanted = [names.index(name) for name in order.items if name in names]
        return list(itertools.combinations(wanted, 2))

    # -- one candidate ---------------------------------------------------------------------------------------------

    def pack(self, order: Sequence[int], turns: Sequence[int]) -> list[float]:
        """Middles of all items, as far left as the order allows."""
        front = [0.0] * (2 * self.count + 1)
        x = [0.0] * len(order)
        for i in order:
            lanes = self.lanes[i][turns[i]]
            at = max([front[lane] + left for lane, left, _ in lanes])
            x[i] = at
            for lane, _, right in lanes:
                front[lane] = at + right + SPACE
        return x

    def cost(self, x: Sequence[float], turns: Sequence[int]) -> float:
        """What a candidate costs: illegal overlaps, crossings, nesting, lengths, width."""
        places: list[list[float]] = [[] for _ in self.number]
        bridges: dict[int, list[Segment]] = {}
        cost = self.row_cost + 0.8 * (max(x) - min(x))
        for i, at in enumerate(x):
            turn = turns[i]
            shape = self.shapes[i][turn]
            cost += shape.cost
            ports = self.ports[i][turn]
            for piece, offset in ports:
                places[piece].append(at + offset)
            if len(ports) > len(self.made.items[i].ports):
                for a, b in itertools.pairwise(ports):
                    if a[0] == b[0]:
                        bridges.setdefault(a[0], []).append((at + a[1], at + b[1]))
            if i in self.near:
                cost += 0.3 * abs(at - x[0])
        cost += 0.4 * (x[0] - min(x))
        spans = [spans_of(p, bridges.get(n, ())) for n, p in enumerate(places)]
        cost += sum(p[-1][1] - p[0][0] for p in spans if p)
        for p, q in self.pairs:
            cost += _overlap_cost(spans[p], places[p], spans[q], places[q])
        for one, two in self.sharing:
            (la, ra), (lb, rb) = self._extent(one, x, turns), self._extent(two, x, turns)
            if la < rb and lb < ra:
                cost += SHARED + 10.0 * min(ra - lb, rb - la)
        cost += self._crossing_cost(x, turns, spans)
        cost += OUT_OF_ORDER * sum(x[a] >= x[b] for a, b in self.inversions)
        return cost

    def _extent(self, axis: int, x: Sequence[float], turns: Sequence[int]) -> Segment:
        """Room of an axis from left to right, wheels and some air included."""
        more = 2.0 * SPACE + (AXLE_END if axis in self.across else 0.0)
        return (min(x[i] - self.shapes[i][turns[i]].left for i in self.members[axis]) - more,
                max(x[i] + self.shapes[i][turns[i]].right for i in self.members[axis]) + more)

    def _crossing_cost(self, x: Sequence[float], turns: Sequence[int], spans: Spans) -> float:
        cost = 0.0
        for i, (price, pieces) in enumerate(self.crossed):
            for piece in pieces:
                room = SPACE + (AXLE_END + 20.0 if self.axis[self.made.pieces[piece]] in self.across else 0.0)
                for left, right in spans[piece]:
                    if left - room < x[i] < right + room:
                        cost += price
        for i, piece in blocked(self.made, self.shapes, self.axis, self.number, x, turns, spans):
            own = self.number[self.made.items[i].ports[0][1]] == piece
            cost += 150.0 if own else ILLEGAL
        return cost

    # -- annealing -------------------------------------------------------------------------------------------------

    def anneal(self, effort: float) -> tuple[float, Placement]:
        """The best candidate found, its items drawn together."""
        draw = random.Random(1)
        n = len(self.made.items)
        order, turns = self._start(), [0] * n
        x = self.pack(order, turns)
        now = self.cost(x, turns)
        best = (now, list(order), list(turns))
        steps = int(effort * min(MOST_STEPS, STEPS_PER_ITEM * n))
        for step in range(steps):
            heat = 400.0 * (0.004 ** (step / steps))
            tried_order, tried_turns = self._changed(draw, order, turns)
            found = self.cost(self.pack(tried_order, tried_turns), tried_turns)
            if found <= now or draw.random() < math.exp((now - found) / heat):
                order, turns, now = tried_order, tried_turns, found
                if now < best[0] - 1e-9:
                    best = (now, list(order), list(turns))
        _, order, turns = best
        x = self._drawn_together(order, turns, self.pack(order, turns))
        return self.cost(x, turns), Placement(self.made, self.rows, tuple(x), tuple(turns), self.bus_on_top)

    def _start(self) -> list[int]:
        """Items from the engine outwards, so that power runs from left to right."""
        items = self.made.items
        order, seen, todo = [], {items[0].ports[0][1]}, [0]
        while todo:
            i = todo.pop(0)
            order.append(i)
            seen |= {piece for _, piece in items[i].ports}
            todo += [j for j in range(len(items)) if j not in order and j not in todo
                     and any(piece in seen for _, piece in items[j].ports)]
        return order + [j for j in range(len(items)) if j not in order]

    def _changed(self, draw: random.Random, order: list[int], turns: list[int]) -> tuple[list[int], list[int]]:
        order, turns = list(order), list(turns)
        n = len(order)
        a, b = int(draw.random() * n), int(draw.random() * n)
        kind = draw.random()
        if kind < 0.45:
            order.insert(b, order.pop(a))
        elif kind < 0.65:
            order[a], order[b] = order[b], order[a]
        else:
            options = len(self.shapes[a])
            turns[a] = int(draw.random() * options)
            if kind > 0.85:
                order.insert(b, order.pop(order.index(a)))
        return order, turns

    def _drawn_together(self, order: Sequence[int], turns: Sequence[int], x: list[float]) -> list[float]:
        """Items moved within the room between their neighbours wherever that makes the drawing better."""
        best = self.cost(x, turns)
        for _ in range(3):
            for i in reversed(order):
                low, high = self._room(i, order, turns, x)
                for at in (high, 0.5 * (low + high), low):
                    tried = list(x)
                    tried[i] = at
                    found = self.cost(tried, turns)
                    if found < best - 1e-9:
                        x, best = tried, found
        return x

    def _room(self, i: int, order: Sequence[int], turns: Sequence[int], x: Sequence[float]) -> Segment:
        """Lowest and highest middle of an item between its neighbours."""
        own = {lane: (left, right) for lane, left, right in self.lanes[i][turns[i]]}
        low, high, before = -math.inf, math.inf, True
        for j in order:
            if j == i:
                before = False
                continue
            for lane, left, right in self.lanes[j][turns[j]]:
                if lane in own:
                    if before:
                        low = max(low, x[j] + right + SPACE + own[lane][0])
                    else:
                        high = min(high, x[j] - left - SPACE - own[lane][1])
        left, right = max(a for a, _ in own.values()), max(b for _, b in own.values())
        return max(low, left), min(high, max(x) + right) if high == math.inf else high


# ---------------------------------------------------------------------------------------------------------- legality


def spans_of(places: Sequence[float], bridges: Sequence[Segment]) -> list[Segment]:
    """Stretches of the axis that a piece with ports at ``places`` takes up; where it is joined over an item, none."""
    if not places:
        return []
    edges, spans = [min(places)], []
    for left, right in sorted(bridges):
        spans.append((edges.pop(), left))
        edges.append(right)
    spans.append((edges.pop(), max(places)))
    return spans


def inside(places: Sequence[float], spans: Sequence[Segment]) -> bool:
    """Whether a port lies within one of the stretches."""
    return any(left - 1.0 < p < right + 1.0 for p in places for left, right in spans)


def overlap(a: Sequence[Segment], b: Sequence[Segment]) -> bool:
    """Whether two pieces share a stretch of their axis."""
    return any(la < rb + 1.0 and lb < ra + 1.0 for la, ra in a for lb, rb in b)


def _overlap_cost(spans_a: Sequence[Segment], places_a: Sequence[float], spans_b: Sequence[Segment],
                  places_b: Sequence[float]) -> float:
    if not overlap(spans_a, spans_b):
        return 0.0
    return ILLEGAL if clashing(spans_a, places_a, spans_b, places_b) else NESTED


def clashing(spans_a: Sequence[Segment], places_a: Sequence[float], spans_b: Sequence[Segment],
             places_b: Sequence[float]) -> bool:
    """Neither can run through the other: each has a port inside it."""
    return inside(places_a, spans_b) and inside(places_b, spans_a)


def blocked(made: Skeleton, options: Sequence[Sequence[Shape]], axis: dict[str, int], number: dict[str, int],
            x: Sequence[float], turns: Sequence[int], spans: Spans) -> Iterator[tuple[int, int]]:
    """(item, piece) where a piece runs through an item that nothing can run through."""
    for i, item in enumerate(made.items):
        shape = options[i][turns[i]]
        if not shape.blocks:
            continue
        own, port = item.ports[0][1], x[i] + shape.ports[0][1]
        for piece in made.axes[axis[own]]:
            for left, right in spans[number[piece]]:
                beyond = left < x[i] < right if piece == own else left < x[i] + shape.right and right > x[i] - shape.left
                if beyond and not (piece != own and left <= port <= right and right - left < 1.0):
                    yield i, number[piece]


def piece_ports(placement: Placement) -> dict[str, list[tuple[float, str, str]]]:
    """(x, item key, role) of every port of every piece, from left to right."""
    out: dict[str, list[tuple[float, str, str]]] = {piece: [] for piece in placement.skeleton.pieces}
    for i, item in enumerate(placement.skeleton.items):
        pieces = dict(item.ports)
        for role, offset in placement.shape(i).ports:
            out[pieces[role]].append((placement.x[i] + offset, item.key, role))
    return {piece: sorted(ports) for piece, ports in out.items()}


def piece_spans(placement: Placement) -> dict[str, list[Segment]]:
    """Stretches of its axis that every piece takes up."""
    spans = {}
    for piece, ports in piece_ports(placement).items():
        found: dict[tuple[str, str], list[float]] = {}
        for at, key, role in ports:
            found.setdefault((key, role), []).append(at)
        bridges = [(places[0], places[1]) for places in found.values() if len(places) == 2]
        spans[piece] = spans_of([at for at, _, _ in ports], bridges)
    return spans


def clashing_ports(placement: Placement) -> list[tuple[str, str]]:
    """(item key, role) of every port that takes part in an illegal overlap, labels left out."""
    made, ports, spans = placement.skeleton, piece_ports(placement), piece_spans(placement)
    out: list[tuple[str, str]] = []
    for axis in made.axes:
        for a, b in itertools.combinations(axis, 2):
            places = [[at for at, _, _ in ports[p]] for p in (a, b)]
            if overlap(spans[a], spans[b]) and clashing(spans[a], places[0], spans[b], places[1]):
                out += [(key, role) for p in (a, b) if len(ports[p]) > 1 for _, key, role in ports[p]]
    number = {piece: i for i, piece in enumerate(made.pieces)}
    through = blocked(made, item_shapes(made), made.axis_of(), number, placement.x, placement.turns, list(spans.values()))
    for i, n in through:
        own, piece = made.items[i].ports[0][1], made.pieces[n]
        out += [(key, role) for p in {own, piece} if own != piece and len(ports[p]) > 1 for _, key, role in ports[p]]
    return [port for port in dict.fromkeys(out) if not port[0].startswith(f"{What.TAG}:")]


__all__ = ["SOURCES", "Order", "Placement", "place"]
