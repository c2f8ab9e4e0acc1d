"""From a layout to what a drawing is made of: items with ports on shafts, and the axes that shafts share.

Shafts joined by anything but a gear pair turn about one axis. A gear pair whose two shafts share an axis cannot be drawn
as it is; then a shaft is cut in two pieces that bear the same label (``Skeleton.cut``), which is said openly.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from ems.layout.model import Layout, Shifter

DRUM = "drum" # role of the far end of a drum, which carries a shaft from its own side back over a clutch
CUT = "~"     # between the name of a shaft and the number of a piece of it; never part of a name


class What(StrEnum):
    """What an item is."""

    ENGINE = "engine"
    MACHINE = "machine"
    GEAR = "gear"
    SET = "set"
    CLUTCH = "clutch"
    ONE_WAY = "one-way"
    BRAKE = "brake"
    SHIFTER = "shifter"
    AXLE = "axle"
    TAG = "tag"


TABLES = {What.MACHINE: "machines", What.GEAR: "gears", What.SET: "planetary_sets", What.CLUTCH: "clutches", What.ONE_WAY: "one_way",
          What.BRAKE: "brakes", What.SHIFTER: "shifters", What.AXLE: "axles"}
SOURCES = (What.ENGINE, What.MACHINE)


@dataclass(frozen=True, slots=True)
class Item:
    """One element of the drawing.

    what, name : together unique but for a shifter of more than two positions, drawn as several sleeves (``part``)
    ports      : (role, piece of a shaft); roles as in the layout file: sun, ring, carrier, from, to, hub, ...
    lines      : text that belongs to it, as a person reads it; the first line is its name
    mounted    : brakes that sit on the ring of a planetary set
    words      : names of a sleeve's positions, left and right; "" where there is none
    double     : a planetary set with double pinions
    apart      : (role, shaft) of ports whose shaft is told in words, because it cannot be drawn up to here
    marks      : shafts told of elsewhere that are named here, so that they can be found
    """

    what: What
    name: str
    ports: tuple[tuple[str, str], ...]
    lines: tuple[str, ...] = ()
    part: int = 0
    mounted: tuple[str, ...] = ()
    words: tuple[str, str] = ("", "")
    double: bool = False
    ratio: float = 1.0
    apart: tuple[tuple[str, str], ...] = ()
    marks: tuple[str, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """What is told in words."""
        told = tuple(f"{role.removeprefix('position ')}: {shaft}" for role, shaft in self.apart)
        return told + tuple(f"shaft {mark}" for mark in self.marks)

    @property
    def drum(self) -> str | None:
        """The piece that a drum over this clutch leads to."""
        return dict(self.ports).get(DRUM)

    @property
    def drum_side(self) -> str:
        """Role of the side that the drum belongs to."""
        return next(role for role, piece in self.ports if role != DRUM and shaft_of(piece) == shaft_of(self.drum or ""))

    @property
    def key(self) -> str:
        """``clutch:K1``, ``shifter:S1.1``: what the SVG calls it too."""
        more = f".{self.part}" if self.part else ""
        return f"{self.what.value}:{self.name}{more}"

    @property
    def dotted(self) -> str:
        """``gears.first``: its key in the layout file."""
        table = TABLES.get(self.what)
        return self.name if table is None else f"{table}.{self.name}"


@dataclass(frozen=True, slots=True)
class Skeleton:
    """What is to be drawn.

    items  : every item, in the order of the layout file
    pieces : every piece of a shaft: the shaft's own name, or ``name~1`` where it had to be cut
    axes   : pieces that turn about one axis, in order of appearance
    cuts   : shafts that were cut, each as often as it was
    """

    items: tuple[Item, ...]
    pieces: tuple[str, ...]
    axes: tuple[tuple[str, ...], ...]
    cuts: tuple[str, ...] = ()

    def axis_of(self) -> dict[str, int]:
        """Number of the axis of every piece."""
        return {piece: i for i, axis in enumerate(self.axes) for piece in axis}

    def cut(self, piece: str, ports: Iterable[tuple[str, str]]) -> Skeleton:
        """This skeleton with some ports (item key, role) of a piece on a piece of their own, joined by a label."""
        moved = set(ports)
        shaft = shaft_of(piece)
        new = self._next(shaft)
        items = [_moved(item, piece, new, moved) for item in self.items]
        tagged = {port for item in items if item.what is What.TAG for _, port in item.ports}
        items += [Item(What.TAG, p, (("shaft", p),), (shaft,)) for p in (piece, new) if p not in tagged]
        return _skeleton(items, (*self.pieces, new), (*self.cuts, shaft))

    def told(self, key: str, role: str) -> Skeleton:
        """This skeleton with one port on a piece of its own, which its item tells in words."""
        item = next(i for i in self.items if i.key == key)
        piece = dict(item.ports)[role]
        shaft = shaft_of(piece)
        new = self._next(shaft)
        ports = tuple((r, new if r == role else p) for r, p in item.ports)
        changed = dataclasses.replace(item, ports=ports, apart=(*item.apart, (role, shaft)))
        items = [changed if i is item else i for i in self.items]
        there = next((n for n, i in enumerate(items) if i is not changed and piece in dict(i.ports).values()
                      and i.what not in (What.GEAR, What.TAG)), None)
        if there is not None and shaft not in items[there].marks:
            items[there] = dataclasses.replace(items[there], marks=(*items[there].marks, shaft))
        return _skeleton(items, (*self.pieces, new), (*self.cuts, shaft))

    def drummed(self, key: str, role: str, over: str) -> Skeleton:
        """This skeleton with one port on a piece of its own, which a drum over a clutch joins to that clutch's side of the same shaft."""
        piece = next(dict(i.ports)[role] for i in self.items if i.key == key)
        new = self._next(shaft_of(piece))
        items = [_moved(i, piece, new, {(key, role)}) for i in self.items]
        items = [dataclasses.replace(i, ports=(*i.ports, (DRUM, new))) if i.key == over else i for i in items]
        return _skeleton(items, (*self.pieces, new), self.cuts)

    def drums(self) -> list[tuple[str, str, str]]:
        """(item key, role, clutch key) of every port that could be reached by a drum: on the same shaft as a clutch without one.

        The port is on a whole shaft, or at the far end of another drum.
        """
        reached = {item.drum for item in self.items}
        return [(item.key, role, over.key) for item in self.items if item.what is not What.TAG
                for role, piece in item.ports if role != DRUM and (CUT not in piece or piece in reached)
                for over in self.items if over.what is What.CLUTCH and over is not item and over.drum is None
                and any(shaft_of(p) == shaft_of(piece) and (CUT not in p or p in reached) for _, p in over.ports)]

    def _next(self, shaft: str) -> str:
        return f"{shaft}{CUT}{sum(shaft_of(p) == shaft for p in self.pieces)}"


def shaft_of(piece: str) -> str:
    """The shaft that a piece belongs to."""
    return piece.partition(CUT)[0]


def skeleton(layout: Layout) -> Skeleton:
    """Items and axes of a layout; gear pairs on a single axis get a shaft cut."""
    made = _skeleton(_items(layout), layout.shafts)
    while True:
        axis = made.axis_of()
        loops = [i for i in made.items if i.what is What.GEAR and axis[i.ports[0][1]] == axis[i.ports[1][1]]]
        if not loops:
            return made
        role, piece = min(loops[0].ports, key=lambda port: _uses(made, port[1]))
        made = made.cut(piece, [(loops[0].key, role)])


def _uses(made: Skeleton, piece: str) -> int:
    return -sum(p == piece for item in made.items for _, p in item.ports)


def _moved(item: Item, piece: str, new: str, ports: set[tuple[str, str]]) -> Item:
    changed = tuple((role, new if p == piece and (item.key, role) in ports else p) for role, p in item.ports)
    return dataclasses.replace(item, ports=changed)


def _skeleton(items: Iterable[Item], pieces: tuple[str, ...], cuts: tuple[str, ...] = ()) -> Skeleton:
    """Axes by joining the pieces of every item that is no gear pair."""
    items = tuple(items)
    parent = {piece: piece for piece in pieces}

    def find(piece: str) -> str:
        while parent[piece] != piece:
            piece = parent[piece]
        return piece

    for item in items:
        if item.what is not What.GEAR:
            for _, piece in item.ports[1:]:
                parent[find(piece)] = find(item.ports[0][1])
    roots = dict.fromkeys(map(find, pieces))
    axes = tuple(tuple(p for p in pieces if find(p) == root) for root in roots)
    return Skeleton(items, pieces, axes, cuts)


# ------------------------------------------------------------------------------------------------------------- items


def _items(layout: Layout) -> list[Item]:
    engine = layout.engine
    rings = {p.ring: p.name for p in reversed(layout.planetary_sets)}
    mounted = {rings[b.shaft]: b.name for b in reversed(layout.brakes) if b.shaft in rings}
    items = [Item(What.ENGINE, "engine", (("shaft", engine.shaft),), ("engine", _kW(engine.engine.rated_power_W)))]
    items += [Item(What.MACHINE, m.name, (("shaft", m.shaft),), (m.name, _kW(m.machine.rated_power_W)))
              for m in layout.machines]
    items += [Item(What.GEAR, g.name, (("from", g.from_shaft), ("to", g.to_shaft)), (g.name, f"i = {_ratio(float(g.ratio))}"),
                   ratio=float(g.ratio)) for g in layout.gears]
    items += [Item(What.SET, p.name, (("sun", p.sun), ("ring", p.ring), ("carrier", p.carrier)),
                   (p.name, f"ring/sun {_ratio(float(p.ratio))}"), double=p.ratio < 0, ratio=float(p.ratio),
                   mounted=tuple(mounted[p.name] for _ in range(p.name in mounted))) for p in layout.planetary_sets]
    items += [Item(What.CLUTCH, c.name, (("first", c.first), ("second", c.second)), (c.name,)) for c in layout.clutches]
    items += [Item(What.ONE_WAY, w.name, tuple((role, shaft) for role, shaft in (("from", w.from_shaft), ("to", w.to_shaft))
                                               if shaft is not None), (w.name,)) for w in layout.one_way]
    items += [Item(What.BRAKE, b.name, (("shaft", b.shaft),), (b.name,))
              for b in layout.brakes if b.name not in mounted.values()]
    items += [sleeve for shifter in layout.shifters for sleeve in _sleeves(shifter)]
    items += [Item(What.AXLE, a.name, (("shaft", a.shaft),), (a.name,)) for a in layout.axles]
    return items


def _sleeves(shifter: Shifter) -> list[Item]:
    """One sleeve for every two positions."""
    engaging = [(word, shaft) for word, shaft in shifter.positions if shaft is not None]
    pairs = [engaging[i:i + 2] for i in range(0, len(engaging), 2)]
    sleeves = []
    for n, pair in enumerate(pairs):
        targets = [(f"position {word}", shaft) for word, shaft in pair]
        words = (pair[0][0], pair[1][0] if len(pair) > 1 else "")
        sleeves.append(Item(What.SHIFTER, shifter.name, (("hub", shifter.hub), *targets), (shifter.name,), part=n,
                            words=words))
    return sleeves


def _kW(power_W: float) -> str:
    return f"{power_W / 1e3:.0f} kW"


def _ratio(value: float) -> str:
    return f"{value:.4g}".replace("-", "−")
