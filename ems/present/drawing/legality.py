"""What may overlap: where two pieces of shafts on one axis overlap, the one without a port inside the other runs through it;
if both have one, that is illegal."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence

from ems.present.drawing.axes import Skeleton, What
from ems.present.drawing.placement import Placement, item_shapes
from ems.present.drawing.sizes import Shape

Segment = tuple[float, float]
Spans = list[list[Segment]]


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
