"""From a layout and a state of its actuators to every motion still possible.

Each joint is a linear row on the shaft speeds (Willis 1841 for planetary sets); the null space of all rows is every
motion the mechanism still allows. The wheels are one more "shaft", so that several driven axles are joined by the road.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from ems.configurations.exact import Matrix
from ems.layout.model import Layout

WHEEL = "wheels"   # name of the virtual shaft that all axles turn with


@dataclass(frozen=True, slots=True)
class ActuatorState:
    """What is engaged: closed clutches and brakes, and the position of every shifter (None is neutral)."""

    closed: tuple[str, ...]
    shifters: tuple[tuple[str, str | None], ...]

    @property
    def engaged(self) -> tuple[str, ...]:
        """Words for what is engaged, in the order of the layout file: ``K1``, ``S1=third``."""
        return self.closed + tuple(f"{name}={position}" for name, position in self.shifters if position is not None)

    @property
    def words(self) -> str:
        """``K1+S1=third``, or ``open`` when nothing is engaged."""
        return "+".join(self.engaged) or "open"


@dataclass(frozen=True, slots=True)
class Joint:
    """One constraint: ``sum(coefficient * speed) = 0`` over (shaft, coefficient).

    efficiency : 1 for rigid joints; for a mesh, the share of the power that reaches the driven member
    relative   : (shaft, coefficient) of the speed at which the mesh rolls: a gear's own shaft, or sun minus carrier
    """

    name: str
    terms: tuple[tuple[str, Fraction], ...]
    efficiency: float = 1.0
    relative: tuple[tuple[str, Fraction], ...] = ()


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
              ((g.from_shaft, Fraction(1)),))
        for g in layout.gears
    ]
    joints += [
        Joint(p.name, ((p.sun, Fraction(1)), (p.ring, p.ratio), (p.carrier, -1 - p.ratio)), p.efficiency,
              ((p.sun, Fraction(1)), (p.carrier, Fraction(-1))))
        for p in layout.planetary_sets
    ]
    joints += [_rigid(f"axle {a.name}", a.shaft, WHEEL) for a in layout.axles]
    return joints


def engaged_joints(layout: Layout, state: ActuatorState) -> list[Joint]:
    """Joints that an actuator state adds."""
    joints = [_rigid(c.name, c.first, c.second) for c in layout.clutches if c.name in state.closed]
    joints += [Joint(b.name, ((b.shaft, Fraction(1)),)) for b in layout.brakes if b.name in state.closed]
    positions = dict(state.shifters)
    for shifter in layout.shifters:
        position = positions[shifter.name]
        if position is not None:
            shaft = dict(shifter.positions)[position]
            assert shaft is not None
            joints.append(_rigid(shifter.name, shifter.hub, shaft))
    return joints


def _rigid(name: str, first: str, second: str) -> Joint:
    return Joint(name, ((first, Fraction(1)), (second, Fraction(-1))))


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
