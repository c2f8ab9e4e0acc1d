"""How much room each item takes, and where its ports are, in every way it can be turned. Lengths in px of the drawing."""

from __future__ import annotations

from dataclasses import dataclass

from ems.present.drawing.axes import DRUM, Item, What

LABEL, SMALL = 11.0, 10.0              # font sizes
LINE = 13.0                            # distance of two lines of text
SPACE = 12.0                           # least distance between neighbours

PLATE = 5.0                            # half thickness of a gear wheel
CLUTCH_PORT, CLUTCH_RADIUS = 9.0, 22.0
DRUM_PORT, DRUM_WALL = 20.0, 5.0       # its end, and its distance from the plates
SLEEVE_PORT, SLEEVE_RADIUS = 17.0, 20.0
ENGINE_HALF, ENGINE_RADIUS = 32.0, 25.0
MACHINE_RADIUS = 31.0
CARRIER_PORT, RING_PORT = 15.0, 25.0
AXLE_PORT, AXLE_RADIUS = 12.0, 40.0
WHEEL_HALF, WHEEL_RADIUS = 7.0, 27.0
DIFFERENTIAL = 12.0
HALF_SHAFT = 24.0                      # from the outermost item of an axle's row to the wheel
AXLE_END = HALF_SHAFT + 2.0 * WHEEL_HALF

LEVELS = (0.0, 10.0, 17.0, 24.0, 31.0, 38.0, 45.0, 52.0)
"""Radius of a shaft by how many shafts run inside it."""

_NARROW, _SLIM, _WIDE = set("ijlI|.,:;'! "), set("frt()[]/-\"*1"), set("mwMW@%")


def text_width(text: str, size: float = LABEL) -> float:
    """Width of a text in a usual sans-serif font, rather too much than too little."""
    share = sum(0.30 if c in _NARROW else 0.42 if c in _SLIM else 0.92 if c in _WIDE else
                0.74 if c.isupper() else 0.60 if c.isascii() else 1.0 for c in text)
    return size * share


@dataclass(frozen=True, slots=True)
class Shape:
    """One way an item can be turned.

    left, right : room left and right of its middle in its own row(s)
    ports       : (role, offset) of each port; a role that is there twice is joined over the item
    label       : room (left, right) in the gap below its upper row, of a gear pair's label
    blocks      : no other shaft can pass through it
    cost        : what this way of turning it costs in looks
    """

    left: float
    right: float
    ports: tuple[tuple[str, float], ...]
    label: tuple[float, float] = (0.0, 0.0)
    blocks: bool = False
    cost: float = 0.0


def shapes(item: Item, *, across: bool = False) -> tuple[Shape, ...]:
    """Every way an item can be turned, the usual one first.

    across : an axle on a row of its own, its wheels at both ends of the row
    """
    half = 0.5 * max((text_width(line) for line in (*item.lines, *item.notes)), default=0.0)
    match item.what:
        case What.ENGINE:
            return _ended(ENGINE_HALF, ENGINE_HALF, turned=60.0)
        case What.MACHINE:
            half = machine_half(item)
            return (Shape(half, half, (("shaft", 0.0),)),)
        case What.GEAR:
            width = PLATE + 5.0 + 2.0 * half
            ports = (("from", 0.0), ("to", 0.0))
            narrow = PLATE + 2.0
            return (Shape(narrow, narrow, ports, (narrow, width)), Shape(narrow, narrow, ports, (width, narrow), cost=2.0))
        case What.SET:
            return _sets(max(RING_PORT + 5.0, half))
        case What.CLUTCH | What.ONE_WAY:
            return _clutches(item, max(CLUTCH_PORT + 4.0, half))
        case What.BRAKE:
            half = max(14.0, half)
            return (Shape(half, half, (("shaft", 0.0),)),)
        case What.SHIFTER:
            return _shifters(item, half)
        case What.AXLE if across:
            half = max(DIFFERENTIAL + 4.0, half)
            return (Shape(half, half, (("shaft", 0.0),)),)
        case What.AXLE:
            half = max(AXLE_PORT + 6.0, half)
            return tuple(reversed(_ended(AXLE_PORT, half, turned=-30.0)))
        case What.TAG:
            return _ended(half + 6.0, half + 6.0, turned=0.0)
    raise ValueError(item.what)


def machine_half(item: Item) -> float:
    """Half the width of a machine, whose name and rating stand in its stator."""
    return max(24.0, 0.5 * max(text_width(line) for line in (*item.lines, *item.notes)) + 6.0)


def _ended(port: float, half: float, *, turned: float) -> tuple[Shape, ...]:
    """An item at the end of a shaft: the shaft to its right, or to its left."""
    return (Shape(half, half, (("shaft", port),), blocks=True),
            Shape(half, half, (("shaft", -port),), blocks=True, cost=turned))


def _clutches(item: Item, half: float) -> tuple[Shape, ...]:
    roles = [role for role, _ in item.ports]
    if len(roles) == 1:
        return (Shape(half, half, ((roles[0], 0.0),)),)
    if item.drum is not None:
        own = -1.0 if item.drum_side == roles[0] else 1.0
        half = max(DRUM_PORT + 4.0, half)
        return tuple(Shape(half, half, ((roles[0], -side * CLUTCH_PORT), (roles[1], side * CLUTCH_PORT), (DRUM, -own * side * DRUM_PORT)))
                     for side in (1, -1))
    return tuple(Shape(half, half, ((roles[0], -side * CLUTCH_PORT), (roles[1], side * CLUTCH_PORT))) for side in (1, -1))


def _shifters(item: Item, half: float) -> tuple[Shape, ...]:
    roles = [role for role, _ in item.ports]
    room = [max(SLEEVE_PORT + 4.0, half, 4.0 + text_width(word, SMALL)) for word in item.words]
    out = []
    for side in (1.0, -1.0):
        ports = [("hub", 0.0)] + [(role, -side * SLEEVE_PORT * (1 - 2 * n)) for n, role in enumerate(roles[1:])]
        left, right = room if side > 0 else room[::-1]
        out.append(Shape(left, right, tuple(ports)))
    return tuple(out)


def _sets(half: float) -> tuple[Shape, ...]:
    """Carrier and ring leave to the left, to the right, or to both sides."""
    sides = ((1.0,), (-1.0,), (-1.0, 1.0))
    out = []
    for ring in sides:
        for carrier in sides:
            ports = [("sun", 0.0), *(("carrier", s * CARRIER_PORT) for s in carrier), *(("ring", s * RING_PORT) for s in ring)]
            out.append(Shape(half, half, tuple(ports), cost=40.0 * (len(ring) + len(carrier) - 2)))
    return tuple(out)
