"""Items from left to right and which way each is turned, annealed with a fixed seed for one way to give axes their rows.

Items are packed from the left in an order, a gear pair taking room in all rows between its shafts.
"""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Sequence

from ems.layout.model import DrawingOrder
from ems.present.drawing.axes import Item, Skeleton, What
from ems.present.drawing.legality import Segment, Spans, blocked, clashing, overlap, spans_of
from ems.present.drawing.placement import Placement, is_across, item_shapes
from ems.present.drawing.reading import readable, wanted
from ems.present.drawing.rows import row_cost
from ems.present.drawing.sizes import AXLE_END, PLATE, SPACE, Shape

ILLEGAL, FOREIGN, WIRE_CROSSING, NESTED, OUT_OF_ORDER = 2000.0, 300.0, 25.0, 25.0, 400.0
UNREAD = 20.0                # two gears of one shifter in another order than its positions in the file
SHARED = 20_000.0            # two axes on one row that overlap: worse than any other fault
ROW_COST = 60.0
STEPS_PER_ITEM, MOST_STEPS = 150, 2000
WIRE = 5.0                   # half the room of an electrical link


class Search:
    """Annealing of order and turns for one order of rows."""

    def __init__(self, made: Skeleton, rows: tuple[int, ...], order: DrawingOrder) -> None:
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
        self.inversions, self.reading = self._wanted(order), wanted(made)
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

    def _wanted(self, order: DrawingOrder) -> list[tuple[int, int]]:
        """Pairs of items of which the first is wanted left of the second."""
        items = self.made.items
        wanted = [i for word in order.items for i, item in enumerate(items) if word in (item.name, item.dotted)]
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
        cost += OUT_OF_ORDER * sum(x[a] >= x[b] for a, b in self.inversions) + UNREAD * sum(x[a] >= x[b] for a, b in self.reading)
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
        order, turns = readable(self.made, [len(s) for s in self.shapes], lambda c: self.cost(self.pack(*c), c[1]), (order, turns))
        x = self.drawn_together(order, turns, self.pack(order, turns))
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

    def drawn_together(self, order: Sequence[int], turns: Sequence[int], x: list[float]) -> list[float]:
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


def _overlap_cost(spans_a: Sequence[Segment], places_a: Sequence[float], spans_b: Sequence[Segment],
                  places_b: Sequence[float]) -> float:
    if not overlap(spans_a, spans_b):
        return 0.0
    return ILLEGAL if clashing(spans_a, places_a, spans_b, places_b) else NESTED
