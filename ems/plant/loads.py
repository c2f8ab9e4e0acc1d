"""What every joint carries: from the plant's own source and wheel torques to the power through each clutch, gear and axle.

Torques of sources and wheels are those that the plant has judged; what is left unknown are the loads of the joints, which
the balance of every shaft determines. Nothing is estimated: the residual of all balances comes with the result.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ems.configurations import WHEEL, Configuration
from ems.configurations.exact import reduced_rows, transpose
from ems.configurations.kinematics import Joint, carrying_joints, constraint_matrix, fixed_joints
from ems.layout.model import Layout
from ems.plant.torque_maps import joint_columns, turning_inertia
from ems.types import Array

ROUNDS = 12      # until the directions of power flow agree with themselves


@dataclass(frozen=True, slots=True, eq=False)
class Loads:
    """Loads of one configuration in K intervals; J joints, N shafts (the wheels last).

    joints : fixed ones first, then those engaged, in the order of the layout file
    torque_Nm : (K, J, N) torque that each joint puts on each shaft         speed_rad_s : (K, N)
    inertia_W : (K, N) power that brings each shaft with its rotors to speed       drag_W : (K, N) power given to drags
    residual_Nm : (K,) largest torque that the balance of a shaft leaves over
    """

    joints: tuple[Joint, ...]
    shafts: tuple[str, ...]
    torque_Nm: Array
    speed_rad_s: Array
    inertia_W: Array
    drag_W: Array
    residual_Nm: Array

    @property
    def power_W(self) -> Array:
        """(K, J, N) power that each joint gives to each shaft; what a joint loses is missing in the sum over shafts."""
        return self.torque_Nm * self.speed_rad_s[:, None, :]


def joint_loads(layout: Layout, c: Configuration, source_torque_Nm: Array, wheel_torque_Nm: Array, wheel_rad_s: Array,
                free_rad_s: Array, wheel_rad_s2: Array, *, lossless: bool = False) -> Loads:
    """What every joint of a configuration carries.

    source_torque_Nm : (K, S) engine, then machines, as the plant has them
    wheel_torque_Nm, wheel_rad_s, free_rad_s, wheel_rad_s2 : (K,) torque the wheels take, their speed and acceleration, and
                       the free engine speed
    lossless : meshes pass everything on, for balances that only say where torque can go
    A redundant joint is taken to carry nothing, as in the plant.
    """
    return _Solver(layout, c).solve(source_torque_Nm, wheel_torque_Nm, wheel_rad_s, free_rad_s, wheel_rad_s2, lossless)


class _Solver:
    """The balance of every shaft: joints + sources - wheels - inertia = 0."""

    def __init__(self, layout: Layout, c: Configuration) -> None:
        self.layout, self.c = layout, c
        self.shafts = (*layout.shafts, WHEEL)
        self.column = {name: i for i, name in enumerate(self.shafts)}
        self.joints = fixed_joints(layout) + carrying_joints(layout, c.state)
        self.independent = reduced_rows(transpose(constraint_matrix(self.joints, layout.shafts)))[1]
        self.lossy = [j for j in self.independent if self.joints[j].efficiency < 1.0]
        self.inertia = turning_inertia(layout, c)

    def solve(self, source: Array, wheel_torque: Array, wheel: Array, free: Array, acceleration: Array,
              lossless: bool) -> Loads:
        count = wheel.size
        per_wheel, per_free = (np.array([float(pair[k]) for pair in self.c.shaft_map]) for k in (0, 1))
        speed = np.outer(wheel, per_wheel) + np.outer(free, per_free)
        inertia = np.outer(acceleration, self.inertia * per_wheel)
        dragged = np.zeros_like(speed) if lossless else self._drag(speed)
        given = -inertia - dragged
        for torque, shaft in zip(source.T, [self.layout.engine.shaft, *(m.shaft for m in self.layout.machines)], strict=True):
            given[:, self.column[shaft]] += torque
        given[:, self.column[WHEEL]] -= wheel_torque
        forward = np.zeros((count, len(self.lossy)), bool)
        load, torque_on, residual = self._loads(given, forward, lossless=True)
        for _ in range(0 if lossless else ROUNDS):
            forward = self._rolling(load, speed) < 0.0
            load, torque_on, residual = self._loads(given, forward)
            if np.array_equal(forward, self._rolling(load, speed) < 0.0):
                break
        return Loads(tuple(self.joints), self.shafts, torque_on, speed, inertia * speed, dragged * speed, residual)

    def _drag(self, speed: Array) -> Array:
        """(K, N) torque that the drags of shafts and open clutches take from each shaft."""
        out = np.zeros_like(speed)
        for drag in self.c.drags:
            relative = np.sum([float(k) * speed[:, self.column[shaft]] for shaft, k in drag.terms], axis=0)
            size = np.sign(relative) * (drag.constant_Nm + drag.viscous_Nms_rad * np.abs(relative))
            for shaft, k in drag.terms:
                out[:, self.column[shaft]] += float(k) * size
        return out

    def _rolling(self, load: Array, speed: Array) -> Array:
        """(K, lossy) power that each mesh gives to its first member: negative where power enters there."""
        rolling = np.zeros((load.shape[0], len(self.lossy)))
        for n, j in enumerate(self.lossy):
            relative = sum(float(k) * speed[:, self.column[shaft]] for shaft, k in self.joints[j].relative)
            rolling[:, n] = load[:, self.independent.index(j)] * relative
        return rolling

    def _loads(self, given: Array, forward: np.ndarray[tuple[int, int], np.dtype[np.bool_]], *, lossless: bool = False) -> tuple[
            Array, Array, Array]:
        """Loads (K, independent), torques (K, J, N), residuals (K,); one solution a pattern of directions."""
        load = np.zeros((given.shape[0], len(self.independent)))
        torque = np.zeros((given.shape[0], len(self.joints), len(self.shafts)))
        residual = np.zeros(given.shape[0])
        for pattern in np.unique(forward, axis=0):
            rows = (forward == pattern).all(axis=1)
            directions = {self.joints[j].name: bool(bit) for j, bit in zip(self.lossy, pattern, strict=True)}
            columns = joint_columns([self.joints[j] for j in self.independent], self.column, {} if lossless else directions)
            found = -given[rows] @ np.linalg.pinv(columns).T
            load[rows] = found
            on_shafts = np.zeros((int(rows.sum()), len(self.joints), len(self.shafts)))
            on_shafts[:, self.independent, :] = found[:, :, None] * columns.T[None, :, :]
            torque[rows] = on_shafts
            residual[rows] = np.abs(found @ columns.T + given[rows]).max(axis=1)
        return load, torque, residual
