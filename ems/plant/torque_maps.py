"""Static torque balance of a configuration, with mesh losses: one matrix for each pattern of power-flow directions."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from ems.configurations import WHEEL, Configuration
from ems.configurations.exact import reduced_rows, transpose
from ems.configurations.kinematics import Joint, constraint_matrix, engaged_joints, fixed_joints
from ems.layout.model import Layout
from ems.types import Array

ENGINE = "engine"


@dataclass(frozen=True, slots=True, eq=False)
class TorqueMaps:
    """Torque balance of one configuration; S sources, G lossy joints of the layout, I inner torques.

    engine_free : engine torque is a free choice
    inner : machines (1.. in source order) whose torque is a free choice
    loaded : lossy joints (0..G-1) that carry load, one bit of the pattern each, lowest first
    matrices : (2^bits, S + 1 + G, 3 + inner) from (wheel torque, engine torque, inner torques, wheel acceleration) to
               (source torques, wheel torque, loads of the lossy joints); bit set: power enters at the first member
    kinetic_wheel, kinetic_free : rotating power = acceleration * (kinetic_wheel * wheel + kinetic_free * free speed)
    """

    engine_free: bool
    inner: tuple[int, ...]
    loaded: tuple[int, ...]
    matrices: Array
    kinetic_wheel: float
    kinetic_free: float


def lossy_joints(layout: Layout) -> list[Joint]:
    """Joints of the layout that can lose power, in a fixed order."""
    return [j for j in fixed_joints(layout) if j.efficiency < 1.0]


def torque_maps(layout: Layout, c: Configuration) -> TorqueMaps:
    """Matrices of a configuration; the loss of each mesh acts at its driven member."""
    return _Balance(layout, c).maps()


class _Balance:
    """One torque equation a shaft: joint loads + source torques - wheel torque - inertia = 0."""

    def __init__(self, layout: Layout, c: Configuration) -> None:
        self.layout, self.c = layout, c
        self.shafts = (*layout.shafts, WHEEL)
        self.column = {name: i for i, name in enumerate(self.shafts)}
        joints = fixed_joints(layout) + engaged_joints(layout, c.state)
        independent = reduced_rows(transpose(constraint_matrix(joints, layout.shafts)))[1]
        self.joints = [joints[i] for i in independent]      # a redundant joint is taken to carry nothing
        self.given, self.determined = self._roles()
        self.lossy = {j.name: g for g, j in enumerate(lossy_joints(layout))}
        self.inertia = self._inertia()

    def _roles(self) -> tuple[list[int], list[int]]:
        """Sources whose torque is a free choice, and those the balance then determines.

        A machine that no static balance holds still brings its own rotor to speed: the engine at rest on a planetary
        set takes no torque, so its torque too is determined, and it is zero unless the wheels accelerate.
        """
        c, wheel = self.c, len(self.c.sources)
        rating = [0.0, *(m.machine.rated_power_W for m in self.layout.machines)]
        machines = sorted(range(1, wheel), key=lambda j: (rating[j], j))
        _, pivots = reduced_rows(c.balances, [wheel, 0, *machines])
        active = [c.sources.index(name) for name in c.active]
        given = sorted(j for j in pivots if j != wheel)
        return given, [j for j in range(wheel) if j not in given and (j in active or j != 0)]

    def _shaft_of(self, source: int) -> int:
        shafts = [self.layout.engine.shaft, *(m.shaft for m in self.layout.machines)]
        return self.column[shafts[source]]

    def _inertia(self) -> Array:
        """(shafts,) inertia that follows the wheels' acceleration [kg m2].

        A member that nothing can hold against (a planetary set's third shaft without source, brake or wheels) floats:
        it transmits no torque, so its inertia is nobody's load.
        """
        inertia = np.zeros(len(self.shafts))
        for name, properties in self.layout.shaft_properties.items():
            inertia[self.column[name]] += properties.inertia_kgm2
        inertia[self.column[self.layout.engine.shaft]] += self.layout.engine.engine.inertia_kgm2
        for use in self.layout.machines:
            inertia[self.column[use.shaft]] += use.machine.inertia_kgm2
        unknown = self._unknown({})
        unheld = np.eye(len(self.shafts)) - unknown @ np.linalg.pinv(unknown)
        return np.where(np.abs(unheld).max(axis=0) > 1e-9, 0.0, inertia)

    def _unknown(self, forward: dict[str, bool]) -> Array:
        """(shafts, unknowns) torque on each shaft per unit of joint loads, determined sources, reaction of wheels."""
        columns = [self._joint_columns(forward), *(self._unit(self._shaft_of(j)) for j in self.determined)]
        if not self.c.wheel_driven:
            columns.append(-self._unit(self.column[WHEEL]))
        return np.hstack(columns)

    def _joint_columns(self, forward: dict[str, bool]) -> Array:
        """(shafts, joints) torque on each shaft per unit load; the driven member gets the efficiency's share."""
        columns = np.zeros((len(self.shafts), len(self.joints)))
        for r, joint in enumerate(self.joints):
            terms = [(self.column[shaft], float(coefficient)) for shaft, coefficient in joint.terms]
            if joint.name in forward:
                terms = _lossy_terms(terms, joint.efficiency, forward[joint.name])
            for shaft, coefficient in terms:
                columns[shaft, r] += coefficient
        return columns

    def _solve(self, forward: dict[str, bool]) -> Array:
        """(S + 1 + G, inputs) for one pattern of directions."""
        sources, wheel = len(self.c.sources), self.column[WHEEL]
        inner = [j for j in self.given if j != 0]
        inputs = np.zeros((len(self.shafts), 3 + len(inner)))
        if self.c.wheel_driven:
            inputs[wheel, 0] = -1.0
        if 0 in self.given:
            inputs[self._shaft_of(0), 1] = 1.0
        for i, j in enumerate(inner):
            inputs[self._shaft_of(j), 2 + i] = 1.0
        acceleration = np.array([float(w) for w, _ in self.c.shaft_map])
        inputs[:, -1] = -self.inertia * acceleration
        solution = np.linalg.pinv(self._unknown(forward)) @ -inputs
        out = np.zeros((sources + 1 + len(self.lossy), inputs.shape[1]))
        for r, joint in enumerate(self.joints):
            if joint.name in self.lossy:
                out[sources + 1 + self.lossy[joint.name]] = solution[r]
        for i, j in enumerate(self.determined):
            out[j] = solution[len(self.joints) + i]
        if 0 in self.given:
            out[0, 1] = 1.0
        for i, j in enumerate(inner):
            out[j, 2 + i] = 1.0
        if self.c.wheel_driven:
            out[sources, 0] = 1.0
        else:
            out[sources] = solution[-1]
        out[np.abs(out) < 1e-12 * max(1.0, float(np.abs(out).max()))] = 0.0
        return out

    def _unit(self, shaft: int) -> Array:
        column = np.zeros((len(self.shafts), 1))
        column[shaft, 0] = 1.0
        return column

    def maps(self) -> TorqueMaps:
        """Matrices of every pattern of power-flow directions; kinetic terms in kg m2."""
        sources = len(self.c.sources)
        lossless = self._solve({})
        loaded = [g for g in range(len(self.lossy)) if np.any(lossless[sources + 1 + g])]
        names = {g: name for name, g in self.lossy.items()}
        matrices = [
            self._solve({names[g]: bool(bit) for g, bit in zip(loaded, reversed(bits), strict=True)})
            for bits in itertools.product((0, 1), repeat=len(loaded))
        ]
        inertia = self.inertia
        wheel = np.array([float(w) for w, _ in self.c.shaft_map])
        free = np.array([float(f) for _, f in self.c.shaft_map])
        return TorqueMaps(0 in self.given, tuple(j for j in self.given if j != 0), tuple(loaded), np.stack(matrices),
                          float(np.sum(inertia * wheel * wheel)), float(np.sum(inertia * wheel * free)))


def _lossy_terms(terms: list[tuple[int, float]], efficiency: float, forward: bool) -> list[tuple[int, float]]:
    """Torques per unit load when power enters at the first member (or the second): the other one gets its share.

    terms : (shaft, coefficient) of a gear pair, or of sun, ring and carrier. The carrier takes the reaction, so that
    the torques of a planetary set still add up to nothing.
    """
    (a, first), (b, second), *carrier = terms
    first, second = (first, second * efficiency) if forward else (first * efficiency, second)
    return [(a, first), (b, second), *((c, -(first + second)) for c, _ in carrier)]
