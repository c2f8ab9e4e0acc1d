"""Static torque balance of a configuration, with mesh losses: one matrix for each pattern of power-flow directions."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ems.configurations import WHEEL, Configuration, EngineState
from ems.configurations.exact import reduced_rows, transpose
from ems.configurations.kinematics import (
    Joint,
    brake_joint,
    carrying_joints,
    clutch_joint,
    constraint_matrix,
    fixed_joints,
    one_way_joint,
)
from ems.layout.model import Layout
from ems.types import Array, BoolArray

ENGINE = "engine"


@dataclass(frozen=True, slots=True, eq=False)
class TorqueMaps:
    """Torque balance of one configuration; S sources, G told joints of the layout, I inner torques, D drags.

    engine_free : engine torque is a free choice      wheel_free : the wheel torque is an input; else it follows
    inner : machines (1.. in source order) whose torque is a free choice
    loaded : lossy joints (of 0..G-1) that carry load, one bit of the pattern each, lowest first
    matrices : (2^bits, S + 1 + G, 3 + inner + D) from (wheel torque, engine torque, inner torques, wheel acceleration, drags) to
               (source torques, wheel torque, loads of the told joints); bit set: power enters at the first member
    kinetic : (3,) rotating energy = (kinetic[0] wheel^2 + 2 kinetic[1] wheel free + kinetic[2] free^2) / 2 [kg m2]
    own_kinetic : the same of the shafts' own inertias, sources left out
    """

    engine_free: bool
    wheel_free: bool
    inner: tuple[int, ...]
    loaded: tuple[int, ...]
    matrices: Array
    kinetic: tuple[float, float, float]
    own_kinetic: tuple[float, float, float]


def told_joints(layout: Layout) -> list[Joint]:
    """Joints whose load is told: those that lose power first, then those that may have a limit on their load."""
    lossy = [j for j in fixed_joints(layout) if j.efficiency < 1.0]
    rigid = [j for j in fixed_joints(layout) if j.efficiency >= 1.0 and (j.capacity_Nm is not None or j.name in limited_axles(layout))]
    limited = [clutch_joint(c) for c in layout.clutches if c.capacity_Nm is not None or c.slips]
    limited += [brake_joint(b) for b in layout.brakes if b.capacity_Nm is not None]
    return [*lossy, *rigid, *limited, *map(one_way_joint, layout.one_way)]


def limited_axles(layout: Layout) -> list[str]:
    """Joints of the axles whose braking by the powertrain is limited, in the order of the layout."""
    vehicle = layout.vehicle
    def limited(name: str) -> bool:
        own = vehicle.axle(name)
        return vehicle.fade_from_m_s > 0.0 or own.regeneration_share < 1.0 or own.regeneration_m_s2 < math.inf
    return [f"axle {a.name}" for a in layout.axles if limited(a.name)]


def torque_maps(layout: Layout, c: Configuration) -> TorqueMaps:
    """Matrices of a configuration; the loss of each mesh acts at its driven member."""
    return _Balance(layout, c).maps()


class _Balance:
    """One torque equation a shaft: joint loads + source torques - wheel torque - inertia = 0."""

    def __init__(self, layout: Layout, c: Configuration) -> None:
        self.layout, self.c = layout, c
        self.shafts = (*layout.shafts, WHEEL)
        self.column = {name: i for i, name in enumerate(self.shafts)}
        joints = fixed_joints(layout) + carrying_joints(layout, c.state)
        independent = reduced_rows(transpose(constraint_matrix(joints, layout.shafts)))[1]
        self.joints = [joints[i] for i in independent]      # a redundant joint is taken to carry nothing
        self.given, self.determined = self._roles()
        self.told = {j.name: g for g, j in enumerate(told_joints(layout))}
        self.lossy = {j.name for j in told_joints(layout) if j.efficiency < 1.0}
        self.own_inertia, self.inertia = self._inertia()

    def _roles(self) -> tuple[list[int], list[int]]:
        """Sources whose torque is a free choice, and those the balance then determines.

        A machine that no static balance holds still brings its own rotor to speed: the engine at rest on a planetary
        set takes no torque, so its torque too is determined, and it is zero unless the wheels accelerate.
        """
        c, wheel = self.c, len(self.c.sources)
        dragged = c.engine is EngineState.FUEL_CUT          # the engine's torque is then given first of all
        rating = [0.0, *(m.machine.rated_power_W for m in self.layout.machines)]
        machines = sorted(range(1, wheel), key=lambda j: (rating[j], j))
        _, pivots = reduced_rows(c.balances, [0, wheel, *machines] if dragged else [wheel, 0, *machines])
        active = [c.sources.index(name) for name in c.active]
        given = sorted(j for j in pivots if j != wheel)
        self.wheel_free = wheel in pivots
        return given, [j for j in range(wheel) if j not in given and (j in active or j != 0)]

    def _shaft_of(self, source: int) -> int:
        shafts = [self.layout.engine.shaft, *(m.shaft for m in self.layout.machines)]
        return self.column[shafts[source]]

    def _inertia(self) -> tuple[Array, Array]:
        """(shafts,) inertia of the shafts alone, and with the sources, that follows the wheels' acceleration [kg m2].

        A member that nothing can hold against (a planetary set's third shaft without source, brake or wheels) floats:
        it transmits no torque, so its inertia is nobody's load.
        """
        inertia = np.zeros(len(self.shafts))
        for name, properties in self.layout.shaft_properties.items():
            inertia[self.column[name]] += properties.inertia_kgm2
        own = inertia.copy()
        inertia[self.column[self.layout.engine.shaft]] += self.layout.engine.engine.inertia_kgm2
        for use in self.layout.machines:
            inertia[self.column[use.shaft]] += use.machine.inertia_kgm2
        [unknown] = self._unknown([], np.zeros((1, 0), bool))
        unheld = np.eye(len(self.shafts)) - unknown @ np.linalg.pinv(unknown)
        floating = np.abs(unheld).max(axis=0) > 1e-9
        return np.where(floating, 0.0, own), np.where(floating, 0.0, inertia)

    def _unknown(self, loaded: list[str], forward: BoolArray) -> Array:
        """(patterns, shafts, unknowns) torque on each shaft per unit of joint loads, determined sources, reaction of wheels.

        loaded : joints that lose power      forward : (patterns, loaded) whether power enters at their first member
        """
        columns = [joint_columns(self.joints, self.column, {}), *(self._unit(self._shaft_of(j)) for j in self.determined)]
        if not self.wheel_free:
            columns.append(-self._unit(self.column[WHEEL]))
        out = np.repeat(np.hstack(columns)[None], len(forward), axis=0)
        either = [joint_columns(self.joints, self.column, dict.fromkeys(loaded, way)) for way in (False, True)]
        for r, joint in enumerate(self.joints):
            if joint.name in loaded:
                out[:, :, r] = np.where(forward[:, [loaded.index(joint.name)]], either[1][:, r], either[0][:, r])
        return out

    def _inputs(self) -> Array:
        """(shafts, inputs) torque on each shaft per unit of each input."""
        inner = [j for j in self.given if j != 0]
        inputs = np.zeros((len(self.shafts), 3 + len(inner) + len(self.c.drags)))
        if self.wheel_free:
            inputs[self.column[WHEEL], 0] = -1.0
        if 0 in self.given:
            inputs[self._shaft_of(0), 1] = 1.0
        for i, j in enumerate(inner):
            inputs[self._shaft_of(j), 2 + i] = 1.0
        acceleration = np.array([float(w) for w, _ in self.c.shaft_map])
        inputs[:, 2 + len(inner)] = -self.inertia * acceleration
        for d, drag in enumerate(self.c.drags):
            for shaft, coefficient in drag.terms:
                inputs[self.column[shaft], 3 + len(inner) + d] -= float(coefficient)
        return inputs

    def _solve(self, loaded: list[str], forward: BoolArray) -> Array:
        """(patterns, S + 1 + G, inputs), one matrix for each pattern of directions, see ``_unknown``."""
        sources, inner = len(self.c.sources), [j for j in self.given if j != 0]
        inputs = self._inputs()
        solution = np.linalg.pinv(self._unknown(loaded, forward)) @ -inputs
        out = np.zeros((len(forward), sources + 1 + len(self.told), inputs.shape[1]))
        for r, joint in enumerate(self.joints):
            if joint.name in self.told:
                out[:, sources + 1 + self.told[joint.name]] = solution[:, r]
        for i, j in enumerate(self.determined):
            out[:, j] = solution[:, len(self.joints) + i]
        if 0 in self.given:
            out[:, 0, 1] = 1.0
        for i, j in enumerate(inner):
            out[:, j, 2 + i] = 1.0
        if self.wheel_free:
            out[:, sources, 0] = 1.0
        else:
            out[:, sources] = solution[:, -1]
        largest = np.abs(out).max(axis=(1, 2), keepdims=True)
        out[np.abs(out) < 1e-12 * np.maximum(1.0, largest)] = 0.0
        return out

    def _unit(self, shaft: int) -> Array:
        column = np.zeros((len(self.shafts), 1))
        column[shaft, 0] = 1.0
        return column

    def maps(self) -> TorqueMaps:
        """Matrices of every pattern of power-flow directions; kinetic terms in kg m2."""
        sources = len(self.c.sources)
        [lossless] = self._solve([], np.zeros((1, 0), bool))
        loaded = [g for name, g in self.told.items() if name in self.lossy and np.any(lossless[sources + 1 + g])]
        names = {g: name for name, g in self.told.items()}
        forward = np.arange(1 << len(loaded))[:, None] >> np.arange(len(loaded)) & 1 == 1
        matrices = self._solve([names[g] for g in loaded], forward)
        return TorqueMaps(0 in self.given and self.c.engine is EngineState.RUNNING, self.wheel_free,
                          tuple(j for j in self.given if j != 0), tuple(loaded), matrices, self._kinetic(self.inertia),
                          self._kinetic(self.own_inertia))

    def _kinetic(self, inertia: Array) -> tuple[float, float, float]:
        """Coefficients of wheel^2, wheel times free and free^2 in twice the rotating energy [kg m2]."""
        wheel = np.array([float(w) for w, _ in self.c.shaft_map])
        free = np.array([float(f) for _, f in self.c.shaft_map])
        return (float(np.sum(inertia * wheel * wheel)), float(np.sum(inertia * wheel * free)), float(np.sum(inertia * free * free)))


def joint_columns(joints: list[Joint], column: dict[str, int], forward: dict[str, bool]) -> Array:
    """(shafts, joints) torque on each shaft per unit load; the driven member gets the efficiency's share.

    forward : joint -> whether power enters at its first member; joints it does not name lose nothing
    """
    columns = np.zeros((len(column), len(joints)))
    for r, joint in enumerate(joints):
        terms = [(column[shaft], float(coefficient)) for shaft, coefficient in joint.terms]
        if joint.name in forward:
            terms = _lossy_terms(terms, joint.efficiency, forward[joint.name])
        for shaft, coefficient in terms:
            columns[shaft, r] += coefficient
    return columns


def turning_inertia(layout: Layout, c: Configuration) -> Array:
    """(shafts,) inertia of every shaft with its rotors that follows the wheels' acceleration [kg m2], the wheels last."""
    return _Balance(layout, c).inertia


def _lossy_terms(terms: list[tuple[int, float]], efficiency: float, forward: bool) -> list[tuple[int, float]]:
    """Torques per unit load when power enters at the first member (or the second): the other one gets its share.

    terms : (shaft, coefficient) of a gear pair, or of sun, ring and carrier. The carrier takes the reaction, so that
    the torques of a planetary set still add up to nothing.
    """
    (a, first), (b, second), *carrier = terms
    first, second = (first, second * efficiency) if forward else (first * efficiency, second)
    return [(a, first), (b, second), *((c, -(first + second)) for c, _ in carrier)]
