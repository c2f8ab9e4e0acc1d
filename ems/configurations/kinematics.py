"""From a layout and a state of its actuators to every motion still possible.

Each joint is a linear row on the shaft speeds (Willis 1841 for planetary sets); the null space of all rows is every
motion the mechanism still allows. The wheels are one more "shaft", so that several driven axles are joined by the road.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from ems.configurations.exact import Matrix
from ems.layout.model import Brake, Clutch, Layout, OneWay

WHEEL = "wheels"   # name of the virtual shaft that all axles turn with


SLIPPING = "~"     # follows the name of a slipping clutch


@dataclass(frozen=True, slots=True)
class ActuatorState:
    """What is engaged.

    closed   : closed clutches and brakes, and locked one-way clutches, in the order of the file; slipping ones too
    shifters : position of every shifter (None is neutral)
    slipping : those of the closed clutches that slip
    """

    closed: tuple[str, ...]
    shifters: tuple[tuple[str, str | None], ...]
    slipping: tuple[str, ...] = ()

    @property
    def engaged(self) -> tuple[str, ...]:
        """Words for what is engaged, in the order of the layout file: ``K1``, ``K2~``, ``S1=third``."""
        return (*(f"{name}{SLIPPING if name in self.slipping else ''}" for name in self.closed),
                *(f"{name}={position}" for name, position in self.shifters if position is not None))

    @property
    def words(self) -> str:
        """``K1+S1=third``, or ``open`` when nothing is engaged."""
        return "+".join(self.engaged) or "open"

    def locked(self, layout: Layout) -> tuple[str, ...]:
        """One-way clutches that are locked."""
        return tuple(w.name for w in layout.one_way if w.name in self.closed)

    def hold_W(self, layout: Layout) -> float:
        """Electrical power that keeps all this engaged."""
        binary = {c.name: c.hold_W for c in layout.clutches} | {b.name: b.hold_W for b in layout.brakes}
        shifters = {s.name: s.hold_W for s in layout.shifters}
        engaged = sum(binary.get(name, 0.0) for name in self.closed)
        return math.fsum([engaged, *(shifters[name] for name, position in self.shifters if position is not None)])

    def timed(self, layout: Layout) -> tuple[tuple[str, object], ...]:
        """Where every actuator stands whose next change takes time: what the cost of that change depends on."""
        positions = dict(self.shifters)
        return (*((c.name, c.name in self.closed) for c in layout.clutches if c.engagement_s),
                *((b.name, b.name in self.closed) for b in layout.brakes if b.engagement_s),
                *((s.name, positions[s.name]) for s in layout.shifters if s.engagement_s))


@dataclass(frozen=True, slots=True)
class Joint:
    """One constraint: ``sum(coefficient * speed) = 0`` over (shaft, coefficient).

    efficiency : 1 for rigid joints; for a mesh, the share of the power that reaches the driven member
    relative   : (shaft, coefficient) of the speed at which the mesh rolls: a gear's own shaft, or sun minus carrier
    capacity_Nm : most torque, on the shaft ``capacity_at``, or between the two sides; None when unlimited
    """

    name: str
    terms: tuple[tuple[str, Fraction], ...]
    efficiency: float = 1.0
    relative: tuple[tuple[str, Fraction], ...] = ()
    capacity_Nm: float | None = None
    capacity_at: str = ""


def actuator_states(layout: Layout) -> Iterator[ActuatorState]:
    """Every combination of clutch, brake and shifter states that the ``at_most_one`` groups allow."""
    binary = [c.name for c in layout.clutches] + [b.name for b in layout.brakes]
    positions = [[(s.name, position) for position, _ in s.positions] for s in layout.shifters]
    for bits in itertools.product((False, True), repeat=len(binary)):
        closed = tuple(name for name, bit in zip(binary, bits, strict=True) if bit)
        for choice in itertools.product(*positions):
            state = ActuatorState(closed, tuple((name, _position(layout, name, word)) for name, word in choice))
            if all(_members(group, state) <= 1 for group in layout.at_most_one):
                yield state


def _position(layout: Layout, shifter: str, word: str) -> str | None:
    shafts = dict(next(s.positions for s in layout.shifters if s.name == shifter))
    return word if shafts[word] is not None else None


def _members(group: tuple[str, ...], state: ActuatorState) -> int:
    engaged = set(state.engaged) | {name for name, position in state.shifters if position is not None}
    return sum(member in engaged for member in group)


def fixed_joints(layout: Layout) -> list[Joint]:
    """Joints that no actuator opens: gear pairs, planetary sets, and each axle with the road."""
    joints = [
        Joint(g.name, ((g.from_shaft, Fraction(1)), (g.to_shaft, -g.ratio)), g.efficiency,
              ((g.from_shaft, Fraction(1)),), g.capacity_Nm, g.capacity_at)
        for g in layout.gears
    ]
    joints += [
        Joint(p.name, ((p.sun, Fraction(1)), (p.ring, p.ratio), (p.carrier, -1 - p.ratio)), p.efficiency,
              ((p.sun, Fraction(1)), (p.carrier, Fraction(-1))), p.capacity_Nm, p.capacity_at)
        for p in layout.planetary_sets
    ]
    joints += [_rigid(f"axle {a.name}", a.shaft, WHEEL) for a in layout.axles]
    return joints


def engaged_joints(layout: Layout, state: ActuatorState) -> list[Joint]:
    """Joints that an actuator state adds for the motions: a slipping clutch is open."""
    return [j for j in carrying_joints(layout, state) if j.name not in state.slipping]


def carrying_joints(layout: Layout, state: ActuatorState) -> list[Joint]:
    """Joints that an actuator state adds for the torques: a slipping clutch carries."""
    joints = [clutch_joint(c) for c in layout.clutches if c.name in state.closed]
    joints += [brake_joint(b) for b in layout.brakes if b.name in state.closed]
    joints += [one_way_joint(w) for w in layout.one_way if w.name in state.closed]
    positions = dict(state.shifters)
    for shifter in layout.shifters:
        position = positions[shifter.name]
        if position is not None:
            shaft = dict(shifter.positions)[position]
            assert shaft is not None
            joints.append(_rigid(shifter.name, shifter.hub, shaft))
    return joints


def clutch_joint(clutch: Clutch) -> Joint:
    """A closed clutch."""
    return _rigid(clutch.name, clutch.first, clutch.second, clutch.capacity_Nm)


def brake_joint(brake: Brake) -> Joint:
    """A closed brake."""
    return Joint(brake.name, ((brake.shaft, Fraction(1)),), capacity_Nm=brake.capacity_Nm)


def one_way_joint(one_way: OneWay) -> Joint:
    """A locked one-way clutch: 'from' minus 'to', the housing at rest."""
    sides = ((one_way.from_shaft, Fraction(1)), (one_way.to_shaft, Fraction(-1)))
    return Joint(one_way.name, tuple((shaft, sign) for shaft, sign in sides if shaft is not None),
                 capacity_Nm=one_way.capacity_Nm)


def _rigid(name: str, first: str, second: str, capacity_Nm: float | None = None) -> Joint:
    return Joint(name, ((first, Fraction(1)), (second, Fraction(-1))), capacity_Nm=capacity_Nm)


def constraint_matrix(joints: list[Joint], shafts: tuple[str, ...]) -> Matrix:
    """``A`` with one row a joint and one column a shaft (the wheels last), so that ``A w = 0``."""
    column = {name: i for i, name in enumerate((*shafts, WHEEL))}
    matrix: Matrix = []
    for joint in joints:
        row = [Fraction(0)] * len(column)
        for shaft, coefficient in joint.terms:
            row[column[shaft]] += coefficient
        matrix.append(row)
    return matrix
