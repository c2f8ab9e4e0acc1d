"""The ways power can take in a drawing: one path for every joint, stretch of shaft, electrical link and loss.

Every path has a key that says what it is, and a direction in which power counts positive:

    shaft:NAME:N        stretch N of a shaft, from left to right (``NAME~1`` where a shaft had to be cut)
    gear:NAME:from      from the first shaft into the mesh          gear:NAME:to      from the mesh into the second shaft
    set:NAME:sun        from the shaft into the set; ring, carrier alike
    clutch:NAME         from its first shaft into its second        drum:NAME         from the shaft into its piece beyond the clutch
    shifter:NAME:WORD   from the hub into the shaft of that position
    machine:NAME        from the machine into its shaft             axle:NAME         from the shaft to the wheels (two halves)
    wire:NAME           from the machine into the common line       bus:N             stretch N of it, from left to right
    fuel                into the engine
    loss:engine, loss:MACHINE, loss:gear:NAME, loss:set:NAME, loss:battery, loss:brakes
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from ems.present.drawing.axes import DRUM, Item, What
from ems.present.drawing.geometry import (
    AUXILIARY_HALF,
    BATTERY_HALF,
    BATTERY_RADIUS,
    FUEL,
    Geometry,
    Point,
)
from ems.present.drawing.sizes import AXLE_RADIUS, DIFFERENTIAL, DRUM_WALL, ENGINE_HALF, ENGINE_RADIUS, PLATE, WHEEL_HALF

BATTERY_TAP, AUXILIARY_TAP = "+battery", "+auxiliaries"     # no names of machines
LOSS = 13.0            # length of the arrow of a loss


class Medium(StrEnum):
    """What carries the power: each has its own line."""

    MECHANICAL = "mechanical"
    ELECTRICAL = "electrical"
    FUEL = "fuel"
    LOSS = "loss"


@dataclass(frozen=True, slots=True)
class Way:
    """One path of power. share : part of the key's power that it shows (an axle has two halves)."""

    key: str
    medium: Medium
    points: tuple[Point, ...]
    share: float = 1.0


def ways(g: Geometry) -> tuple[Way, ...]:
    """Every path of power in a drawing."""
    out = [way for piece in g.made.pieces for way in _shaft(g, piece)]
    for i, item in enumerate(g.made.items):
        if item.what in _OF:
            out += _OF[item.what](g, i, item)
    return (*out, *_electrical(g))


def _lane(g: Geometry, piece: str) -> float:
    """Height at which the power in a shaft is drawn: its axis, or its upper wall."""
    return g.axis_y(piece) - g.radius(piece)


def port_groups(g: Geometry, piece: str) -> list[list[tuple[float, str, str]]]:
    """Ports of a piece by their place, from left to right; a stretch of shaft lies between two of them."""
    return [list(same) for _, same in itertools.groupby(g.ports[piece], key=lambda port: round(port[0], 3))]


def _shaft(g: Geometry, piece: str) -> Iterator[Way]:
    y = _lane(g, piece)
    groups = port_groups(g, piece)
    for n, (here, there) in enumerate(itertools.pairwise(groups)):
        a, b = here[0][0], there[0][0]
        over = {port[1:] for port in here} & {port[1:] for port in there}
        points: tuple[Point, ...] = ((a, y), (b, y))
        if over:
            key, role = min(over)
            high = g.axis_y(piece) - _member_radius(g, next(i for i, it in enumerate(g.made.items) if it.key == key), role)
            points = ((a, y), (a, high), (b, high), (b, y))
        yield Way(f"shaft:{piece}:{n}", Medium.MECHANICAL, points)


def _member_radius(g: Geometry, i: int, role: str) -> float:
    r = g.set_radii(i)
    return {"sun": 0.0, "carrier": r.planet, "ring": 0.5 * (r.ring + r.outside)}[role]


def _engine(g: Geometry, i: int, item: Item) -> list[Way]:
    x, y = g.x[i], g.axis_y(item.ports[0][1])
    side = -1.0 if g.shape(i).ports[0][1] > 0 else 1.0
    low = y + ENGINE_RADIUS
    return [Way("fuel", Medium.FUEL, ((x + side * (ENGINE_HALF + FUEL), y), (x + side * (ENGINE_HALF + 2.0), y))),
            Way("loss:engine", Medium.LOSS, ((x, low + 1.0), (x, low + LOSS)))]


def _machine(g: Geometry, i: int, item: Item) -> list[Way]:
    x, y, piece = g.x[i], g.axis_y(item.ports[0][1]), item.ports[0][1]
    outer = g.machine_radius(i)
    up = -1.0 if g.placement.bus_on_top else 1.0
    return [Way(f"machine:{item.name}", Medium.MECHANICAL, ((x, y + up * (outer - 16.0)), (x, _lane(g, piece)))),
            Way(f"wire:{item.name}", Medium.ELECTRICAL, ((x, y + up * outer), (x, g.bus_y))),
            Way(f"loss:{item.name}", Medium.LOSS, ((x, y - up * (outer + 1.0)), (x, y - up * (outer + LOSS))))]


def _gear(g: Geometry, i: int, item: Item) -> list[Way]:
    x, rows = g.x[i], g.gear_rows(item)
    sign = 1.0 if rows[1] > rows[0] else -1.0
    first, second = (radii[0] for radii in g.wheel_radii(i))
    mesh = (g.y[rows[0]] + sign * first, g.y[rows[1]] - sign * second)
    middle = 0.5 * (mesh[0] + mesh[1])
    side = -1.0 if g.shape(i).label[1] > g.shape(i).label[0] else 1.0
    return [Way(f"gear:{item.name}:from", Medium.MECHANICAL, ((x, _lane(g, item.ports[0][1])), (x, middle))),
            Way(f"gear:{item.name}:to", Medium.MECHANICAL, ((x, middle), (x, _lane(g, item.ports[1][1])))),
            Way(f"loss:gear:{item.name}", Medium.LOSS, ((x + side * PLATE, middle), (x + side * (PLATE + LOSS - 2.0), middle)))]


def _set(g: Geometry, i: int, item: Item) -> list[Way]:
    x, y = g.x[i], g.axis_y(item.ports[0][1])
    r = g.set_radii(i)
    planet = (x, y - r.planet)
    out = []
    for role, piece in item.ports:
        offset = max(o for name, o in g.shape(i).ports if name == role)
        low, high = _lane(g, piece), y - _member_radius(g, i, role)
        points: list[Point] = [(x, low), planet] if role == "sun" else [(x + offset, low), (x + offset, high), (x, high), planet]
        out.append(Way(f"set:{item.name}:{role}", Medium.MECHANICAL, tuple(dict.fromkeys(points))))
    below = y + r.planet
    return [*out, Way(f"loss:set:{item.name}", Medium.LOSS, ((x + PLATE + 4.0, below), (x + PLATE + LOSS + 4.0, below)))]


def _clutch(g: Geometry, i: int, item: Item) -> list[Way]:
    if len(item.ports) < 2:
        return []
    at = {role: (g.x[i] + offset, _lane(g, dict(item.ports)[role])) for role, offset in g.shape(i).ports}
    (a, first), (b, second) = (at[role] for role, _ in item.ports[:2])
    outer = g.axis_y(item.ports[0][1]) - g.clutch_radius(i)
    points: tuple[Point, ...] = ((a, first), (b, second))
    if first != second:
        points = ((a, first), (a, outer + 5.0), (b, outer + 5.0), (b, second))
    out = [Way(f"{item.what.value}:{item.name}", Medium.MECHANICAL, points)]
    if item.drum is not None:
        begin, end, wall = at[item.drum_side], at[DRUM], outer - DRUM_WALL
        out.append(Way(f"{DRUM}:{item.name}", Medium.MECHANICAL, (begin, (begin[0], wall), (end[0], wall), end)))
    return out


def _shifter(g: Geometry, i: int, item: Item) -> list[Way]:
    pieces, out = dict(item.ports), []
    hub, high = _lane(g, pieces["hub"]), g.axis_y(pieces["hub"]) - g.sleeve_radius(i) - 1.0
    for (role, offset), word in zip(g.shape(i).ports[1:], item.words, strict=False):
        x = g.x[i]
        points = ((x, hub), (x, high), (x + offset, high), (x + offset, _lane(g, pieces[role])))
        out.append(Way(f"shifter:{item.name}:{word}", Medium.MECHANICAL, points))
    return out


def _axle(g: Geometry, i: int, item: Item) -> list[Way]:
    x, y = g.x[i], g.axis_y(item.ports[0][1])
    if i in g.axle_rows:
        ends = [(wheel + (WHEEL_HALF if wheel < x else -WHEEL_HALF), y) for wheel in g.wheels_x(i)]
        starts = [(x - DIFFERENTIAL, y), (x + DIFFERENTIAL, y)]
    else:
        ends = [(x, y + s * (AXLE_RADIUS - 6.0)) for s in (-1.0, 1.0)]
        starts = [(x, y + s * DIFFERENTIAL) for s in (-1.0, 1.0)]
    return [Way(f"axle:{item.name}", Medium.MECHANICAL, (a, b), 0.5) for a, b in zip(starts, ends, strict=True)] + _brakes(g, i)


def _brakes(g: Geometry, i: int) -> list[Way]:
    """Friction brakes are the vehicle's, told at its first axle."""
    axles = [n for n, item in enumerate(g.made.items) if item.what is What.AXLE]
    if i != axles[0]:
        return []
    x, y = g.x[i], g.axis_y(g.made.items[i].ports[0][1])
    if i in g.axle_rows:
        return [Way("loss:brakes", Medium.LOSS, ((wheel, y + 28.0), (wheel, y + 28.0 + LOSS)), 0.5) for wheel in g.wheels_x(i)]
    return [Way("loss:brakes", Medium.LOSS, ((x + 17.0, y + s * AXLE_RADIUS), (x + 17.0 + LOSS, y + s * AXLE_RADIUS)), 0.5)
            for s in (-1.0, 1.0)]


# -------------------------------------------------------------------------------------------------------- electrical


def taps(g: Geometry) -> list[tuple[float, float, str]]:
    """(left, right, name) of everything on the common electrical line, from left to right: machines, battery, auxiliaries."""
    battery, auxiliaries = (x + g.shift for x in g.battery_x)
    return sorted([*((g.x[i], g.x[i], item.name) for i, item in enumerate(g.made.items) if item.what is What.MACHINE),
                   (battery - BATTERY_HALF, battery + BATTERY_HALF, BATTERY_TAP),
                   (auxiliaries - AUXILIARY_HALF, auxiliaries + AUXILIARY_HALF, AUXILIARY_TAP)])


def _electrical(g: Geometry) -> list[Way]:
    out = [Way(f"bus:{n}", Medium.ELECTRICAL, ((a[1], g.bus_y), (b[0], g.bus_y)))
           for n, (a, b) in enumerate(itertools.pairwise(taps(g)))]
    battery = g.battery_x[0] + g.shift
    down = 1.0 if g.placement.bus_on_top else -1.0
    y = g.bus_y + down * BATTERY_RADIUS
    return [*out, Way("loss:battery", Medium.LOSS, ((battery, y + down), (battery, y + down * LOSS)))]


_OF = {What.ENGINE: _engine, What.MACHINE: _machine, What.GEAR: _gear, What.SET: _set, What.CLUTCH: _clutch,
       What.SHIFTER: _shifter, What.AXLE: _axle}
