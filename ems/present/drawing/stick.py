"""The drawing of a layout as SVG, with or without what happens in it.

Ids and attributes a page can drive (``PREFIX`` as given to ``draw``):

    PREFIX + "clutch-K1", data-part="clutch:K1", data-state="open" | "closed"          (brakes and one-way clutches alike)
    PREFIX + "shifter-S1", data-part="shifter:S1", data-left, data-right (names of positions),
        data-position="left" | "right" | "neutral"
    PREFIX + "shaft-NAME", data-part="shaft:NAME", data-turns="yes" | "no"
    data-flow="KEY" (see ``paths``): data-direction="forward" | "backward" | "none", stroke-width of ``.band`` = power times
        data-share over watts a pixel, stroke-width of ``.heads`` = the same, within LEAST_HEAD and MOST_HEAD

Nothing else changes: the drawing stays still.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable

from ems.layout.model import Layout
from ems.present.drawing.axes import CUT, Item, What, shaft_of
from ems.present.drawing.geometry import AUXILIARY_HALF, BATTERY_HALF, BATTERY_RADIUS, Geometry
from ems.present.drawing.labels import Label, large_sizes
from ems.present.drawing.overlay import Overlay
from ems.present.drawing.paths import Medium, Way, taps, ways
from ems.present.drawing.sizes import LINE, PLATE, machine_half
from ems.present.drawing.stored import placed
from ems.present.drawing.style import style_sheet
from ems.present.drawing.svg import element, group, line, number, outline, rect
from ems.present.drawing.symbols import Symbol, links, mounted_brake, symbol
from ems.present.inline import Svg

WIDEST = 9.0           # width of the largest mechanical power [px]
LEAST, LEAST_HEAD, MOST_HEAD = 1.2, 3.4, 9.0
HEAD_EVERY = 46.0      # px between two arrow heads


def draw(layout: Layout, overlay: Overlay | None = None, *, prefix: str = "", style: bool = True) -> Svg:
    """A layout as SVG text.

    overlay : what turns, is engaged and flows; nothing when None
    prefix  : before every id, so that several drawings can stand on one page
    style   : with its style sheet inside; a page of many drawings has it once
    """
    return Svg(drawing(Geometry(placed(layout)), layout, overlay, prefix=prefix, style=style))


def drawing(g: Geometry, layout: Layout, overlay: Overlay | None = None, *, prefix: str = "", style: bool = True,
            still: bool = False) -> str:
    """The SVG text of a placed layout; arguments as for ``draw``.

    still : leave out paths without power and arrow heads, for a drawing that no page will drive
    """
    overlay = overlay or Overlay()
    symbols = [symbol(g, i) for i in range(len(g.made.items))]
    mounted = [(i, mounted_brake(g, i)) for i, item in enumerate(g.made.items) if item.mounted]
    notes = [Label(g.x[i], g.notes_y(i) + n * LINE, note, "small") for i, item in enumerate(g.made.items)
             for n, note in enumerate(item.notes) if item.what is not What.GEAR]
    labels = [text for s in [*symbols, *(m for _, m in mounted)] for text in s.labels]
    battery = _battery(g, layout)
    words = [*labels, *notes, *battery.labels]
    sizes = large_sizes(words, g.width, g.height, [wheel for s in symbols for wheel in s.wheels])
    content = [
        f"<style>{style_sheet()}</style>" if style else "", "" if still else _heads(prefix),
        rect(0.0, 0.0, g.width, g.height, "paper"),
        *_wires(g), *(text for i in range(len(symbols)) for text in links(g, i)),
        *_shafts(g, overlay, prefix), *_items(g, symbols, mounted, overlay, prefix), *battery.shapes,
        *(_flow(way, overlay, prefix) for way in ways(g) if not still or way.key in overlay.can),
        group((word.svg(size) for word, size in zip(words, sizes, strict=True)), class_="labels"),
    ]
    name = f"{layout.title}{'' if not overlay.title else ': ' + overlay.title}"
    title = element("title", _escaped(name)) + element("desc", _escaped(_description(g, layout, overlay)))
    return element("svg", title + "".join(content), xmlns="http://www.w3.org/2000/svg", role="img",
                   class_=f"ems-drawing{' dense' if any(sizes) else ''}", viewBox=f"0 0 {number(g.width)} {number(g.height)}",
                   width=g.width, height=g.height)


def _escaped(text: str) -> str:
    from html import escape

    return escape(text, quote=False)


def _description(g: Geometry, layout: Layout, overlay: Overlay) -> str:
    words = [layout.summary, overlay.description]
    cuts = list(dict.fromkeys(g.made.cuts))
    if cuts:
        words.append(f"Not drawn in one piece, for want of a way in the plane; labels say what is joined: {', '.join(cuts)}.")
    return " ".join(w for w in words if w)


# ------------------------------------------------------------------------------------------------------ what is there


def _wires(g: Geometry) -> list[str]:
    up = -1.0 if g.placement.bus_on_top else 1.0
    drops = [line((g.x[i], g.axis_y(item.ports[0][1]) + up * g.machine_radius(i)), (g.x[i], g.bus_y), "wire")
             for i, item in enumerate(g.made.items) if item.what is What.MACHINE]
    bus = [line((a, g.bus_y), (b, g.bus_y), "wire") for (_, a, _), (b, _, _) in itertools.pairwise(taps(g))]
    return [*drops, *bus]


def _battery(g: Geometry, layout: Layout) -> Symbol:
    battery, auxiliaries = (x + g.shift for x in g.battery_x)
    y, half = g.bus_y, BATTERY_HALF
    box = rect(battery - half, y - BATTERY_RADIUS, battery + half, y + BATTERY_RADIUS, "battery", 3.0)
    poles = [rect(battery + dx - 5.0, y - BATTERY_RADIUS - 4.0, battery + dx + 5.0, y - BATTERY_RADIUS, "battery") for dx in (-26.0, 26.0)]
    other = rect(auxiliaries - AUXILIARY_HALF, y - 10.0, auxiliaries + AUXILIARY_HALF, y + 10.0, "body", 3.0)
    energy = f"{float(layout.battery.node_energy_J[-1]) / 3.6e6:.3g} kWh"
    return Symbol([*poles, box, other], [Label(battery, y - 1.5, "battery", room=2.0 * BATTERY_HALF - 8.0),
                                         Label(battery, y + 11.5, energy, "small"),
                                         Label(auxiliaries, y + 3.5, "auxiliaries", room=2.0 * AUXILIARY_HALF - 6.0)])


def _shafts(g: Geometry, overlay: Overlay, prefix: str) -> list[str]:
    """Halves of axles first, then hollow shafts from the outermost inwards."""
    out = []
    for i in g.axle_rows:
        y = g.axis_y(g.made.items[i].ports[0][1])
        left, right = g.wheels_x(i)
        out.append(group([line((left, y), (right, y), "shaft")], data_turns=_turns(overlay, g.made.items[i].ports[0][1])))
    below = {i: out.pop() for i in list(g.axle_rows)[::-1]}
    for piece in sorted(g.made.pieces, key=lambda p: (-g.level[p], g.made.pieces.index(p))):
        shaft = shaft_of(piece)
        content = [shape for span in _visible(g, piece) for shape in _stretch(g, piece, span)]
        out.append(group(content, f"shaft {shaft}", id=f"{prefix}shaft-{piece.replace(CUT, '.')}", data_part=f"shaft:{shaft}",
                         data_turns=_turns(overlay, piece)))
        out += [below.pop(i) for i in list(below) if g.made.items[i].ports[0][1] == piece]
    return out


def _visible(g: Geometry, piece: str) -> list[tuple[float, float]]:
    """Stretches of a shaft without what lies behind the engine's box, a differential or a label."""
    spans = g.spans[piece]
    for i, item in enumerate(g.made.items):
        if g.shape(i).blocks and item.ports[0][1] == piece:
            left, right = sorted((g.x[i] - g.shape(i).ports[0][1], g.x[i] + g.shape(i).ports[0][1]))
            spans = [part for a, b in spans for part in ([(a, b)] if b <= left or a >= right else [(a, left), (right, b)])]
    return [(a, b) for a, b in spans if b >= a]


def _turns(overlay: Overlay, piece: str) -> str | None:
    turns = overlay.turns.get(shaft_of(piece))
    return None if turns is None else "yes" if turns else "no"


def _stretch(g: Geometry, piece: str, span: tuple[float, float]) -> list[str]:
    ends = {round(x, 3): key for x, key, _ in g.ports[piece]}
    left, right = (x + sign * _beyond(g, ends.get(round(x, 3), "")) for x, sign in zip(span, (-1.0, 1.0), strict=True))
    y, r = g.axis_y(piece), g.radius(piece)
    if r == 0.0:
        return [line((left, y), (right, y), "halo"), line((left, y), (right, y), "shaft")] if right - left > 0.5 else []
    if right - left < 0.5:
        return []
    return [rect(left, y - r - 3.0, right, y + r + 3.0, "paper"),
            *(line((left, y + s * r), (right, y + s * r), "wall") for s in (-1.0, 1.0))]


def _beyond(g: Geometry, key: str) -> float:
    """How far a shaft reaches beyond the middle of the last item on it."""
    item = next((it for it in g.made.items if it.key == key), None)
    if item is None or item.what not in (What.GEAR, What.MACHINE):
        return 0.0
    return PLATE + 3.0 if item.what is What.GEAR else machine_half(item) - 2.0


def _items(g: Geometry, symbols: list[Symbol], mounted: list[tuple[int, Symbol]], overlay: Overlay, prefix: str) -> Iterable[str]:
    for i, (item, s) in enumerate(zip(g.made.items, symbols, strict=True)):
        yield group(s.shapes, _title(item), id=_id(prefix, item), data_part=f"{item.what.value}:{item.name}",
                    **_state(g, i, overlay))
    for i, s in mounted:
        name = g.made.items[i].mounted[0]
        yield group(s.shapes, f"brake {name}", id=f"{prefix}brake-{name}", data_part=f"brake:{name}",
                    data_state=_closed(name, overlay))


def _id(prefix: str, item: Item) -> str:
    part = f".{item.part}" if item.part else ""
    name = item.name.replace(CUT, ".")
    return f"{prefix}{item.what.value}-{name}{part}"


def _title(item: Item) -> str:
    if item.what is What.TAG:
        return f"shaft {shaft_of(item.name)} goes on at its other label"
    words = " and ".join(shaft_of(p) for _, p in item.ports)
    return f"{item.what.value} {item.name}: {words}" if item.what is not What.ENGINE else f"engine: {words}"


def _state(g: Geometry, i: int, overlay: Overlay) -> dict[str, str | None]:
    """Attributes that say what an actuator does."""
    item = g.made.items[i]
    if item.what in (What.CLUTCH, What.BRAKE, What.ONE_WAY):
        return {"data_state": _closed(item.name, overlay)}
    if item.what is not What.SHIFTER:
        return {}
    sides = {("right" if offset > 0 else "left"): word
             for (_, offset), word in zip(g.shape(i).ports[1:], item.words, strict=False)}
    position = overlay.positions.get(item.name)
    here = next((side for side, word in sides.items() if word == position), "neutral")
    return {"data_left": sides.get("left"), "data_right": sides.get("right"), "data_position": here}


def _closed(name: str, overlay: Overlay) -> str:
    return "closed" if name in overlay.closed else "open"


# ------------------------------------------------------------------------------------------------------- what happens


def _heads(prefix: str) -> str:
    """Arrow heads of both directions; they grow with the width of the line that bears them."""
    out = []
    for medium in Medium:
        for word, points in (("forward", "0 0,2 1.1,0 2.2"), ("backward", "2 0,0 1.1,2 2.2")):
            head = element("polygon", points=points, class_="head" if medium is Medium.MECHANICAL else f"{medium.value}-head")
            out.append(element("marker", head, id=f"{prefix}{medium.value}-{word}", viewBox="0 0 2 2.2", refX="1", refY="1.1",
                               markerWidth="1.5", markerHeight="1.65", orient="auto"))
    return element("defs", "".join(out))


def _flow(way: Way, overlay: Overlay, prefix: str) -> str:
    power = overlay.flows.get(way.key, 0.0) * way.share
    can = way.key in overlay.can
    width = abs(power) / overlay.W_per_px
    direction = "none" if abs(power) < overlay.least_W else "forward" if power > 0 else "backward"
    if can:
        width, direction = 6.0, "both"
    width = max(width, LEAST)
    marker = None if direction in ("none", "both") else f"url(#{prefix}{way.medium.value}-{direction})"
    band = element("path", d=outline(way.points), class_="band", stroke_width=width)
    heads = element("path", d=outline(_head_points(way)), class_="heads", marker_mid=marker,
                    stroke_width=min(max(width, LEAST_HEAD), MOST_HEAD))
    word = f"flow {way.medium.value}{' can' if can else ''}"
    return group([band, heads], class_=word, data_flow=way.key, data_direction=direction, data_share=number(way.share))


def _head_points(way: Way) -> list[tuple[float, float]]:
    """A straight line along the longest leg with a point wherever a head stands."""
    legs = list(itertools.pairwise(way.points))
    (ax, ay), (bx, by) = max(legs, key=lambda leg: abs(leg[0][0] - leg[1][0]) + abs(leg[0][1] - leg[1][1]))
    count = max(1, round((abs(ax - bx) + abs(ay - by)) / HEAD_EVERY))
    shares = [0.0, *((n + 0.5) / count for n in range(count)), 1.0]
    return [(ax + s * (bx - ax), ay + s * (by - ay)) for s in shares]
