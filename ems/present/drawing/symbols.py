"""The symbols of the trade, one function an element; each returns SVG, its labels apart so that they come on top."""

from __future__ import annotations

from dataclasses import dataclass

from ems.present.drawing.axes import DRUM, Item, What
from ems.present.drawing.geometry import Geometry
from ems.present.drawing.labels import Box, Label
from ems.present.drawing.sizes import (
    AXLE_RADIUS,
    CLUTCH_PORT,
    DIFFERENTIAL,
    DRUM_WALL,
    ENGINE_HALF,
    ENGINE_RADIUS,
    LINE,
    PLATE,
    WHEEL_HALF,
    WHEEL_RADIUS,
    machine_half,
)
from ems.present.drawing.svg import group, line, polyline, rect

LINING = 4.0                # thickness of a clutch's lining and of a brake's pad


@dataclass(frozen=True, slots=True)
class Symbol:
    """Shapes of an element, its labels, and the gear wheels that no label should reach into."""

    shapes: list[str]
    labels: list[Label]
    wheels: tuple[Box, ...] = ()


def symbol(g: Geometry, i: int) -> Symbol:
    """The symbol of item ``i`` where it belongs."""
    return _SYMBOLS[g.made.items[i].what](g, i)


def _at(g: Geometry, i: int) -> tuple[Item, float, float]:
    item = g.made.items[i]
    return item, g.x[i], g.axis_y(item.ports[0][1])


def _radius(g: Geometry, item: Item, role: str) -> float:
    return g.radius(dict(item.ports)[role])


def _disc(x: float, y: float, inner: float, outer: float, class_: str = "line") -> list[str]:
    """A disc seen from the side: both halves from a shaft's surface outwards."""
    if inner == 0.0:
        return [line((x, y - outer), (x, y + outer), class_)]
    return [line((x, y - outer), (x, y - inner), class_), line((x, y + inner), (x, y + outer), class_)]


def _mirrored(y: float, left: float, right: float, inner: float, outer: float, class_: str) -> list[str]:
    """The same rectangle above and below the axis."""
    return [rect(left, y - outer, right, y - inner, class_), rect(left, y + inner, right, y + outer, class_)]


# ----------------------------------------------------------------------------------------------------------- sources


def _engine(g: Geometry, i: int) -> Symbol:
    item, x, y = _at(g, i)
    top = y - ENGINE_RADIUS + 5.0
    cylinders = [rect(x + dx - 6.0, top - 7.0, x + dx + 6.0, top, "engine", 1.5) for dx in (-19.0, 0.0, 19.0)]
    box = rect(x - ENGINE_HALF, top, x + ENGINE_HALF, y + ENGINE_RADIUS, "engine", 3.0)
    return Symbol([*cylinders, box], [Label(x, y + 1.0, item.lines[0], room=2.0 * ENGINE_HALF - 6.0),
                                     Label(x, y + 1.0 + LINE, item.lines[1], "small")])


def _machine(g: Geometry, i: int) -> Symbol:
    item, x, y = _at(g, i)
    half, inner, outer = machine_half(item), _radius(g, item, "shaft"), g.machine_radius(i)
    rotor = _mirrored(y, x - half + 5.0, x + half - 5.0, inner + 1.5, outer - 18.5, "rotor")
    stator = _mirrored(y, x - half, x + half, outer - 15.5, outer, "stator")
    return Symbol(rotor + stator, [Label(x, y - outer + 11.5, item.lines[0], room=2.0 * half - 6.0),
                                    Label(x, y + outer - 4.5, item.lines[1], "small")])


# ------------------------------------------------------------------------------------------------------------- gears


def _gear(g: Geometry, i: int) -> Symbol:
    item, x = g.made.items[i], g.x[i]
    shapes, wheels = list[str](), list[Box]()
    for k, (near, far) in enumerate(g.wheel_radii(i)):
        row, other = g.gear_rows(item)[k], g.gear_rows(item)[1 - k]
        y, towards = g.y[row], 1.0 if other > row else -1.0
        inner = g.radius(item.ports[k][1])
        edges = [(-far, near)] if inner == 0.0 else [(inner, near), (-far, -inner)]
        shapes += [rect(x - PLATE, y + towards * a, x + PLATE, y + towards * b, "wheel", 1.0) for a, b in edges]
        top, bottom = sorted((y - towards * far, y + towards * near))
        wheels.append((x - PLATE, top, x + PLATE, bottom))
    upper = min(g.gear_rows(item))
    middle = g.y[upper] + g.downs[upper] + 0.5 * g.gaps[upper]
    side = 1.0 if g.shape(i).label[1] > g.shape(i).label[0] else -1.0
    at, anchor = x + side * (PLATE + 4.0), "start" if side > 0 else "end"
    first = middle - 2.0 - 0.5 * LINE * len(item.notes)
    words = [(item.lines[0], "label"), *((line_, "small") for line_ in (item.lines[1], *item.notes))]
    return Symbol(shapes, [Label(at, first + n * LINE, word, class_, anchor) for n, (word, class_) in enumerate(words)],
                  tuple(wheels))


def links(g: Geometry, i: int) -> list[str]:
    """Dashed lines between the wheels of a gear pair that cannot touch in the drawing."""
    item, x = g.made.items[i], g.x[i]
    if item.what is not What.GEAR or not g.is_apart(i):
        return []
    (first, second), rows = (radii[0] for radii in g.wheel_radii(i)), g.gear_rows(item)
    sign = 1.0 if rows[1] > rows[0] else -1.0
    a, b = g.y[rows[0]] + sign * first, g.y[rows[1]] - sign * second
    return [line((x + dx, a), (x + dx, b), "apart") for dx in (-2.5, 2.5)]


def _set(g: Geometry, i: int) -> Symbol:
    item, x, y = _at(g, i)
    r = g.set_radii(i)
    shapes = _mirrored(y, x - PLATE - 2, x + PLATE + 2, _radius(g, item, "sun"), r.sun - 1.0, "wheel")
    planets = [(r.sun + 1.0, r.ring - 1.0)]
    if item.double:
        planets = [(r.sun + 1.0, r.planet - 1.0), (r.planet + 1.0, r.ring - 1.0)]
    for role, offset in g.shape(i).ports:
        if role == "sun":
            continue
        at, inner = x + offset, _radius(g, item, role)
        outer = r.planet if role == "carrier" else 0.5 * (r.ring + r.outside)
        shapes += _disc(at, y, inner, outer)
        for sign in (-1.0, 1.0):
            shapes.append(polyline([(x, y + sign * outer), (at, y + sign * outer)], "line"))
            if item.double and role == "carrier":
                shapes += [polyline([(x, y + sign * 0.5 * (a + b)), (at, y + sign * 0.5 * (a + b))], "line")
                           for a, b in planets]
    for inner, outer in planets:
        shapes += _mirrored(y, x - PLATE, x + PLATE, inner, outer, "wheel")
        for sign in (-1.0, 1.0):
            at_y = y + sign * 0.5 * (inner + outer)
            shapes.append(line((x - PLATE - 3.0, at_y), (x + PLATE + 3.0, at_y), "thin"))
    shapes += _mirrored(y, x - PLATE - 3, x + PLATE + 3, r.ring + 1.0, r.outside, "wheel")
    below = y + r.outside + LINE
    if not item.mounted:
        words = [Label(x, y - r.outside - 5.0, item.lines[0]), Label(x, below, item.lines[1], "small")]
    else:
        words = [Label(x, below, item.lines[0]), Label(x, below + LINE, item.lines[1], "small")]
    return Symbol(shapes, words)


def mounted_brake(g: Geometry, i: int) -> Symbol:
    """The brake that sits on the ring of a planetary set."""
    item, x, y = _at(g, i)
    top = y - g.set_radii(i).outside
    shapes = [*_pads(x, top - 10.0, 5.0), *_ground(x, top - 15.0, 14.0)]
    return Symbol([line((x, top), (x, top - 13.0), "line"), *shapes], [Label(x, top - 24.0, item.mounted[0])])


# --------------------------------------------------------------------------------------------------------- actuators


def _clutch(g: Geometry, i: int) -> Symbol:
    item, x, y = _at(g, i)
    outer = g.clutch_radius(i)
    shapes = []
    ports = dict(g.shape(i).ports)
    end = ports.pop(DRUM, None)
    for role, offset in ports.items():
        inner, side = _radius(g, item, role), 1.0 if offset > 0 else -1.0
        shapes += _disc(x + offset, y, inner, outer - 5.0)
        for sign in (-1.0, 1.0):
            at = y + sign * (outer - 5.0)
            left, right = sorted((x + side * 2.5, x + side * (2.5 + LINING)))
            shapes.append(line((x + offset, at), (x + side * (2.5 + LINING), at), "line"))
            shapes.append(rect(left, at - 5.0, right, at + 5.0, f"pad {'right' if side > 0 else 'left'}"))
    top = y - outer
    if end is not None:
        top -= DRUM_WALL + 1.0
        begin, low, wall = ports[item.drum_side], _radius(g, item, DRUM), outer + DRUM_WALL
        corners = ((begin, outer - 5.0), (begin, wall), (end, wall), (end, low))
        shapes += [polyline([(x + across, y + sign * up) for across, up in corners], "line") for sign in (-1.0, 1.0)]
    return Symbol(shapes, [Label(x, top - 5.0, item.lines[0])])


def _one_way(g: Geometry, i: int) -> Symbol:
    """Two races with rollers between them, and an arrow from the side that drives to the side that is driven."""
    item, x, y = _at(g, i)
    outer = g.clutch_radius(i)
    shapes = []
    for role, offset in g.shape(i).ports:
        at = x + (offset or -CLUTCH_PORT)
        shapes += _disc(at if len(item.ports) > 1 else x, y, _radius(g, item, role), outer - 6.0)
    driven = next((o for role, o in g.shape(i).ports if role == "to"), -next(o for _, o in g.shape(i).ports))
    side = 1.0 if driven >= 0 else -1.0
    for sign in (-1.0, 1.0):
        top = y + sign * (outer - 6.0)
        shapes.append(rect(x - 3.0, top - 4.0, x + 3.0, top + 4.0, "pad", 3.0))
        if len(item.ports) > 1:
            shapes.append(polyline([(x - side * 4.0, top + sign * 6.5), (x + side * 4.0, top + sign * 6.5)], "thin"))
    if len(item.ports) == 1:
        shapes += _ground(x, y - outer - 2.0, 14.0)
    else:
        high = y - outer - 0.5
        shapes.append(polyline([(x + side * 1.0, high - 2.5), (x + side * 4.0, high), (x + side * 1.0, high + 2.5)], "thin"))
    return Symbol(shapes, [Label(x, y - outer - (12.0 if len(item.ports) == 1 else 6.0), item.lines[0])])


def _brake(g: Geometry, i: int) -> Symbol:
    item, x, y = _at(g, i)
    outer, inner = g.clutch_radius(i), _radius(g, item, "shaft")
    shapes = [line((x, y - outer), (x, y - inner), "line"), *_pads(x, y - outer + 5.0, 5.0), *_ground(x, y - outer - 2.0, 14.0)]
    return Symbol(shapes, [Label(x, y - outer - 12.0, item.lines[0])])


def _pads(x: float, y: float, half: float) -> list[str]:
    """Two pads beside a disc, held by the casing."""
    return [rect(x + side * 2.5, y - half, x + side * (2.5 + LINING), y + half, f"pad {word}")
            for side, word in ((-1.0, "left"), (1.0, "right"))]


def _ground(x: float, y: float, half: float) -> list[str]:
    """The casing: a hatched line."""
    hatches = [line((x + dx, y), (x + dx + 4.0, y - 5.0), "thin") for dx in (-11.0, -5.0, 1.0, 7.0)]
    return [line((x - half + 2.0, y), (x + half - 2.0, y), "line"), *hatches]


def _shifter(g: Geometry, i: int) -> Symbol:
    item, x, y = _at(g, i)
    outer = g.sleeve_radius(i)
    shapes = _disc(x, y, _radius(g, item, "hub"), outer - 4.0)
    for sign in (-1.0, 1.0):
        shapes.append(line((x - 4.0, y + sign * (outer - 4.0)), (x + 4.0, y + sign * (outer - 4.0)), "line"))
    labels = [Label(x, y - outer - 8.0, item.lines[0])]
    for n, (role, offset) in enumerate(g.shape(i).ports[1:]):
        side = 1.0 if offset > 0 else -1.0
        shapes += _disc(x + offset, y, _radius(g, item, role), outer - 1.0)
        for sign in (-1.0, 1.0):
            at = y + sign * (outer - 4.0)
            shapes.append(rect(x + offset - side * 4.0, at - 3.0, x + offset, at + 3.0, "wheel"))
        labels.append(Label(x + side * 3.0, y + outer + 4.0 + LINE - 2.0, item.words[n], "small", "start" if side > 0 else "end"))
    sleeves = [rect(x - 8.0, y + sign * (outer - 1.0), x + 8.0, y + sign * (outer + 4.0), "sleeve") for sign in (-1.0, 1.0)]
    shapes.append(group(sleeves, class_="sleeves"))
    return Symbol(shapes, labels)


# ------------------------------------------------------------------------------------------------------------ wheels


def _axle(g: Geometry, i: int) -> Symbol:
    item, x, y = _at(g, i)
    d = DIFFERENTIAL
    box = [rect(x - d, y - d, x + d, y + d, "body", 2.0), line((x - d, y - d), (x + d, y + d), "thin"),
           line((x - d, y + d), (x + d, y - d), "thin")]
    if i in g.axle_rows:
        left, right = g.wheels_x(i)
        wheels = [rect(at - WHEEL_HALF, y - WHEEL_RADIUS, at + WHEEL_HALF, y + WHEEL_RADIUS, "tyre", 4.0) for at in (left, right)]
        return Symbol([*wheels, *box], [Label(x, y - d - 5.0, item.lines[0])])
    axle = line((x, y - AXLE_RADIUS), (x, y + AXLE_RADIUS), "shaft")
    wheels = [rect(x - 16.0, y + s * AXLE_RADIUS - 6.0, x + 16.0, y + s * AXLE_RADIUS + 6.0, "tyre", 4.0) for s in (-1.0, 1.0)]
    return Symbol([axle, *wheels, *box], [Label(x, y + AXLE_RADIUS + 6.0 + LINE, item.lines[0])])


def _tag(g: Geometry, i: int) -> Symbol:
    item, x, y = _at(g, i)
    half = abs(g.shape(i).ports[0][1])
    return Symbol([rect(x - half, y - 9.5, x + half, y + 9.5, "tag", 9.5)], [Label(x, y + 4.0, item.lines[0], room=2.0 * half - 8.0)])


_SYMBOLS = {What.ENGINE: _engine, What.MACHINE: _machine, What.GEAR: _gear, What.SET: _set, What.CLUTCH: _clutch,
            What.BRAKE: _brake, What.ONE_WAY: _one_way, What.SHIFTER: _shifter, What.AXLE: _axle, What.TAG: _tag}
