"""Coordinates of a placed drawing: heights of rows, radii of shafts, meshes, electrical links. Lengths in px."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

from ems.present.drawing.axes import Item, Skeleton, What
from ems.present.drawing.legality import Segment, overlap, piece_ports, piece_spans
from ems.present.drawing.placement import Placement, is_across
from ems.present.drawing.sizes import (
    AXLE_END,
    AXLE_RADIUS,
    CLUTCH_RADIUS,
    DRUM_WALL,
    ENGINE_RADIUS,
    HALF_SHAFT,
    LEVELS,
    LINE,
    MACHINE_RADIUS,
    SLEEVE_RADIUS,
    WHEEL_HALF,
    WHEEL_RADIUS,
    Shape,
)

MARGIN = 16.0
GAP, LABEL_GAP = 20.0, 38.0            # between two rows; where labels of gear pairs stand in between
BATTERY_HALF, BATTERY_RADIUS = 46.0, 17.0
AUXILIARY_HALF = 38.0
BUS_ROOM = 2.0 * BATTERY_RADIUS + 22.0
FUEL = 30.0                            # length of the arrow of fuel

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class SetRadii:
    """Radii of a planetary set: pitch of sun, middle of planets, pitch of ring, outside of ring."""

    sun: float
    planet: float
    ring: float
    outside: float


@dataclass(frozen=True)
class Geometry:
    """Everything with its coordinates; y grows downwards."""

    placement: Placement

    @property
    def made(self) -> Skeleton:
        """What is drawn."""
        return self.placement.skeleton

    @cached_property
    def spans(self) -> dict[str, list[Segment]]:
        """Stretches that every piece of a shaft takes up, shifted by the left margin."""
        return {p: [(a + self.shift, b + self.shift) for a, b in s] for p, s in piece_spans(self.placement).items()}

    @cached_property
    def ports(self) -> dict[str, list[tuple[float, str, str]]]:
        """(x, item key, role) of every port of every piece, from left to right."""
        return {p: [(x + self.shift, key, role) for x, key, role in ports]
                for p, ports in piece_ports(self.placement).items()}

    @cached_property
    def level(self) -> dict[str, int]:
        """How many shafts run inside each piece, at most."""
        level = dict.fromkeys(self.made.pieces, 0)
        for item, number in self.axle_rows.items():
            level[self.made.items[item].ports[0][1]] = number
        spans, ports = piece_spans(self.placement), piece_ports(self.placement)
        inner: dict[str, list[str]] = {p: [] for p in self.made.pieces}
        for axis in self.made.axes:
            for a, b in itertools.permutations(axis, 2):
                if overlap(spans[a], spans[b]) and runs_through(a, b, ports, spans):
                    inner[b].append(a)
        for _ in self.made.pieces:
            for piece, within in inner.items():
                level[piece] = max([level[piece], *(level[i] + 1 for i in within)])
        return level

    @cached_property
    def axle_rows(self) -> dict[int, int]:
        """Item number of every axle with its wheels at both ends of its row -> level of its shaft."""
        axis = self.made.axis_of()
        return {i: 1 for i, item in enumerate(self.made.items) if is_across(self.made, item, axis)}

    def radius(self, piece: str) -> float:
        """Radius of a shaft; 0 for a solid one."""
        return LEVELS[min(self.level[piece], len(LEVELS) - 1)]

    @property
    def count(self) -> int:
        """Number of rows."""
        return max(self.placement.rows) + 1

    def row(self, piece: str) -> int:
        """Row of a piece."""
        return self.placement.rows[self.made.axis_of()[piece]]

    def shape(self, i: int) -> Shape:
        """The shape of item ``i``."""
        return self.placement.shape(i)

    def port(self, i: int, role: str) -> float:
        """x of the first port of that role."""
        return next(self.x[i] + offset for r, offset in self.shape(i).ports if r == role)

    # -- across ----------------------------------------------------------------------------------------------------

    @cached_property
    def extent(self) -> tuple[float, float]:
        """Leftmost and rightmost x before the margin is added, wheels and electrical links included."""
        lows, highs = [], []
        for i, x in enumerate(self.placement.x):
            shape, item = self.shape(i), self.made.items[i]
            lows.append(x - max(shape.left, shape.label[0]))
            highs.append(x + max(shape.right, shape.label[1]))
            if item.what is What.ENGINE:
                side = 1.0 if shape.ports[0][1] < 0 else -1.0
                lows.append(x + min(side, 0.0) * (shape.left + FUEL + 4.0))
                highs.append(x + max(side, 0.0) * (shape.left + FUEL + 4.0))
        for i in self.axle_rows:
            low, high = self._axis_extent(self.made.items[i].ports[0][1])
            lows.append(low - AXLE_END)
            highs.append(high + AXLE_END)
        return min(lows), max(highs)

    def _axis_extent(self, piece: str) -> Segment:
        axis = self.made.axis_of()
        members = [i for i, item in enumerate(self.made.items) if any(axis[p] == axis[piece] for _, p in item.ports)]
        return (min(self.placement.x[i] - self.shape(i).left for i in members),
                max(self.placement.x[i] + self.shape(i).right for i in members))

    @cached_property
    def battery_x(self) -> tuple[float, float]:
        """Middle of the battery and of the auxiliaries on the common line, before the margin is added.

        The battery stands where no link to a machine is in its way, the auxiliaries at an end of the line; of all
        such places those that widen the drawing least and keep the line short.
        """
        machines = [self.placement.x[i] for i, item in enumerate(self.made.items) if item.what is What.MACHINE]
        low, high = self.extent
        machines = machines or [0.5 * (low + high)]
        clear = BATTERY_HALF + 16.0
        places = [x + s * clear for x in machines for s in (-1.0, 1.0)] + [0.5 * (a + b) for a, b in itertools.pairwise(sorted(machines))]
        found = []
        for battery in places:
            if all(abs(battery - x) > clear - 1e-6 for x in machines):
                ends = (min([battery - BATTERY_HALF, *machines]), max([battery + BATTERY_HALF, *machines]))
                for other in (ends[0] - 22.0 - AUXILIARY_HALF, ends[1] + 22.0 + AUXILIARY_HALF):
                    left = min(low, battery - BATTERY_HALF, other - AUXILIARY_HALF)
                    right = max(high, battery + BATTERY_HALF, other + AUXILIARY_HALF)
                    length = max(other, *ends) - min(other, *ends)
                    found.append((right - left + 0.2 * length, -battery, battery, other))
        return min(found)[2:]

    @cached_property
    def shift(self) -> float:
        """What is added to every x of the placement."""
        return MARGIN - min(self.extent[0], self.battery_x[0] - BATTERY_HALF, self.battery_x[1] - AUXILIARY_HALF)

    @cached_property
    def x(self) -> tuple[float, ...]:
        """Middle of every item."""
        return tuple(x + self.shift for x in self.placement.x)

    @cached_property
    def width(self) -> float:
        """Width of the drawing."""
        right = max(self.extent[1], self.battery_x[0] + BATTERY_HALF, self.battery_x[1] + AUXILIARY_HALF)
        return right + self.shift + MARGIN

    def wheels_x(self, i: int) -> Segment:
        """Middles of the two wheels of an axle across its row."""
        low, high = self._axis_extent(self.made.items[i].ports[0][1])
        return low + self.shift - HALF_SHAFT - WHEEL_HALF, high + self.shift + HALF_SHAFT + WHEEL_HALF

    # -- down ------------------------------------------------------------------------------------------------------

    def heights(self, i: int) -> Segment:
        """Room above and below the axis that an item takes in its own row, labels included."""
        up, down = self._own_heights(i)
        room = LINE * len(self.made.items[i].notes)
        if self.made.items[i].what is What.GEAR:
            return up, down
        return (up + room, down) if self._notes_above(i) else (up, down + room)

    def _notes_above(self, i: int) -> bool:
        """A machine tells what it has to where its electrical link does not run."""
        return self.made.items[i].what is What.MACHINE and not self.placement.bus_on_top

    def notes_y(self, i: int) -> float:
        """Baseline of the first line of what an item tells in words; a gear pair tells it in its label."""
        axis, (up, down) = self.axis_y(self.made.items[i].ports[0][1]), self._own_heights(i)
        return axis - up - 5.0 - LINE * (len(self.made.items[i].notes) - 1) if self._notes_above(i) else axis + down + LINE - 3.0

    def _own_heights(self, i: int) -> Segment:
        item = self.made.items[i]
        tube = max((self.radius(piece) for _, piece in item.ports), default=0.0) + 4.0
        match item.what:
            case What.ENGINE:
                return ENGINE_RADIUS + 4.0, ENGINE_RADIUS + 14.0
            case What.MACHINE:
                r = self.machine_radius(i)
                return r, r
            case What.SET:
                r = self.set_radii(i).outside
                return r + 6.0 + LINE + (12.0 if item.mounted else 0.0), r + 4.0 + LINE * (2 if item.mounted else 1)
            case What.CLUTCH | What.ONE_WAY:
                r = self.clutch_radius(i)
                wall = 0.0 if item.drum is None else DRUM_WALL + 1.0
                return r + wall + (5.0 if len(item.ports) > 1 else 14.0) + LINE, r + wall + 4.0
            case What.BRAKE:
                return self.clutch_radius(i) + 14.0 + LINE, tube
            case What.SHIFTER:
                r = self.sleeve_radius(i)
                return r + 9.0 + LINE, r + 5.0 + LINE
            case What.AXLE if i in self.axle_rows:
                return WHEEL_RADIUS + 4.0, WHEEL_RADIUS + 4.0
            case What.AXLE:
                return AXLE_RADIUS + 8.0, AXLE_RADIUS + 8.0 + LINE
            case What.TAG:
                return 11.0, 11.0
        return tube, tube

    def machine_radius(self, i: int) -> float:
        """Outside of a machine."""
        return MACHINE_RADIUS + self.radius(self.made.items[i].ports[0][1])

    def clutch_radius(self, i: int) -> float:
        """Outside of a clutch's or brake's plates."""
        return max([CLUTCH_RADIUS, *(self.radius(p) + 9.0 for _, p in self.made.items[i].ports)])

    def sleeve_radius(self, i: int) -> float:
        """Outside of a shifter's sleeve."""
        return max([SLEEVE_RADIUS, *(self.radius(p) + 9.0 for _, p in self.made.items[i].ports)])

    def set_radii(self, i: int) -> SetRadii:
        """Radii of a planetary set, large enough for the shafts inside."""
        radius = {role: self.radius(piece) for role, piece in self.made.items[i].ports}
        sun = max(radius["sun"] + 8.0, radius["carrier"] - 5.0, radius["ring"] - 16.0, 13.0)
        depth = 22.0 if not self.made.items[i].double else 32.0
        return SetRadii(sun, sun + depth / 2, sun + depth, sun + depth + 6.0)

    @cached_property
    def ups(self) -> tuple[float, ...]:
        """Room above the axis of every row."""
        return tuple(max([9.0, *(self.heights(i)[0] for i in self._items_on(r))]) for r in range(self.count))

    @cached_property
    def downs(self) -> tuple[float, ...]:
        """Room below the axis of every row."""
        return tuple(max([9.0, *(self.heights(i)[1] for i in self._items_on(r))]) for r in range(self.count))

    def _items_on(self, row: int) -> list[int]:
        return [i for i, item in enumerate(self.made.items) if any(self.row(p) == row for _, p in item.ports)]

    @cached_property
    def gaps(self) -> tuple[float, ...]:
        """Free height below every row but the last."""
        lines = {r: 0 for r in range(self.count)}
        tops = [(min(self.gear_rows(item)), len(item.notes)) for item in self.made.items if item.what is What.GEAR]
        for row, notes in tops:
            lines[row] = max(lines[row], notes)
        gears = {row for row, _ in tops}
        return tuple(LABEL_GAP + LINE * lines[r] if r in gears else GAP for r in range(self.count - 1))

    def gear_rows(self, item: Item) -> tuple[int, int]:
        """Rows of a gear pair's two wheels, in the order of its ports."""
        return self.row(item.ports[0][1]), self.row(item.ports[1][1])

    @cached_property
    def y(self) -> tuple[float, ...]:
        """Height of every axis."""
        top = MARGIN + (BUS_ROOM if self.placement.bus_on_top else 0.0) + 6.0
        heights = [top + self.ups[0]]
        for r, gap in enumerate(self.gaps):
            heights.append(heights[-1] + self.downs[r] + gap + self.ups[r + 1])
        return tuple(heights)

    def axis_y(self, piece: str) -> float:
        """Height of the axis of a piece."""
        return self.y[self.row(piece)]

    @cached_property
    def below(self) -> float:
        """Lower edge of the rows."""
        last = self.y[-1] + self.downs[-1]
        reach = [self.y[-1] + self.wheel_radii(i)[k][1] for i, item in enumerate(self.made.items) if item.what is What.GEAR
                 for k, row in enumerate(self.gear_rows(item)) if row == len(self.y) - 1]
        return max([last, *reach])

    @cached_property
    def bus_y(self) -> float:
        """Height of the electrical links' common line."""
        return MARGIN + BATTERY_RADIUS + 2.0 if self.placement.bus_on_top else self.below + 16.0 + BATTERY_RADIUS

    @cached_property
    def height(self) -> float:
        """Height of the drawing."""
        return (self.below if self.placement.bus_on_top else self.bus_y + BATTERY_RADIUS) + MARGIN

    # -- gear pairs ------------------------------------------------------------------------------------------------

    def mesh_y(self, i: int) -> float:
        """Height at which a gear pair meshes: by its ratio, as far as the free height between the rows allows."""
        item = self.made.items[i]
        upper, lower = sorted(self.gear_rows(item))
        ratio = abs(item.ratio)
        share = 1.0 / (1.0 + ratio) if self.gear_rows(item)[0] < self.gear_rows(item)[1] else ratio / (1.0 + ratio)
        low = self.y[upper] + self.downs[upper] + 5.0
        high = self.y[upper] + self.downs[upper] + self.gaps[upper] - 5.0
        return min(max(self.y[upper] + share * (self.y[lower] - self.y[upper]), low), high)

    def is_apart(self, i: int) -> bool:
        """A gear pair whose wheels cannot touch in the drawing, because other rows lie between them."""
        first, second = self.gear_rows(self.made.items[i])
        return abs(first - second) > 1

    def wheel_radii(self, i: int) -> tuple[Segment, Segment]:
        """(towards the mesh, away from it) of both wheels, in the order of the ports."""
        rows = self.gear_rows(self.made.items[i])
        out = []
        for row, other in (rows, rows[::-1]):
            below = other > row
            room = (self.downs if below else self.ups)[row]
            near = room + 7.0 if self.is_apart(i) else abs(self.mesh_y(i) - self.y[row])
            out.append((near, min(near, self._free(row, above=below))))
        return out[0], out[1]

    def _free(self, row: int, *, above: bool) -> float:
        """How far a wheel may reach on the side away from its mesh."""
        if above:
            return self.ups[row] + (self.gaps[row - 1] - 6.0 if row else 4.0)
        return self.downs[row] + (self.gaps[row] - 6.0 if row < len(self.gaps) else 60.0)


def runs_through(a: str, b: str, ports: dict[str, list[tuple[float, str, str]]], spans: dict[str, list[Segment]]) -> bool:
    """Whether piece ``a`` runs through the hollow piece ``b``: no port of a within b (of two such, the shorter is outside)."""
    def within(p: str, q: str) -> bool:
        return any(left - 1.0 < x < right + 1.0 for x, _, _ in ports[p] for left, right in spans[q])

    if within(a, b):
        return False
    if not within(b, a):
        return a < b
    return True
