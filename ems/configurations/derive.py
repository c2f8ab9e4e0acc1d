"""Derives every configuration of a layout: what can be engaged, and where power can flow then.

For each actuator state the null space of the joints is every motion; restricted to sources and wheels its orthogonal
complement is every lossless static balance of torques (virtual power). What the wheels and the engine are linked to by
balances decides what the configuration is; no list of modes is written anywhere.
"""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction

from ems.configurations.exact import Matrix, connected, null_space, rank, reduced_rows, transpose
from ems.configurations.kinematics import (
    WHEEL,
    ActuatorState,
    actuator_states,
    constraint_matrix,
    engaged_joints,
    fixed_joints,
)
from ems.configurations.model import Configuration, Derivation, EngineState, Interlock, Kind
from ems.configurations.speed_range import speed_range_kmh
from ems.errors import InputError, Mistake, nearest_name
from ems.layout.model import Layout

ENGINE = "engine"


def derive(layout: Layout) -> Derivation:
    """Every configuration the layout can run in, tie-ups and remarks.

    Raises ``InputError`` when every actuator state is a tie-up, or ``forbid`` names no configuration.
    """
    found: dict[object, list[Configuration]] = {}
    tie_ups: list[Interlock] = []
    notes: list[Interlock] = []
    states = list(actuator_states(layout))
    for state in states:
        mechanism = _Mechanism(layout, state)
        if mechanism.wheels_locked:
            tie_ups.append(Interlock(state, mechanism.lock_reason()))
            continue
        notes += mechanism.notes()
        for engine in EngineState:
            configuration = mechanism.configuration(engine)
            if configuration is not None:
                found.setdefault(_statics(configuration, mechanism), []).append(configuration)
    if not found:
        raise InputError([_nothing_usable(layout, len(states), len(tie_ups))])
    merged = tuple(_merge(group) for group in found.values())
    derivation = Derivation(merged, tuple(tie_ups), tuple(notes), len(states))
    return _without_forbidden(layout, derivation)


def _name(layout: Layout) -> str:
    return layout.path.name if layout.path else layout.name


def _nothing_usable(layout: Layout, states: int, tie_ups: int) -> Mistake:
    key = "clutches, brakes, shifters, gears"
    if tie_ups == states:
        return Mistake(_name(layout), key, f"all actuator states ({states}) lock the wheels",
                       "at least one state in which the wheels can turn")
    return Mistake(_name(layout), key, f"{tie_ups} of {states} actuator states lock the wheels; no other can be used "
                   "at any car speed, engine stopped or running",
                   "at least one state that keeps every speed limit at some car speed")


def _statics(c: Configuration, mechanism: _Mechanism) -> object:
    """What two actuator states must share to be one configuration.

    Speeds of the sources and of every shaft with inertia or a speed limit, balances, and the joints that carry load.
    """
    return (c.engine, c.idling, c.wheel_driven, c.speed_map, mechanism.telling_shafts(c), c.balances,
            mechanism.loaded_meshes(c))


def _merge(group: list[Configuration]) -> Configuration:
    """The member that needs least hold power and fewest actuators stands for all."""
    best = min(group, key=lambda c: (c.hold_W, len(c.state.engaged)))
    return replace(best, equivalents=tuple(c.state.words for c in group if c is not best))


def _without_forbidden(layout: Layout, derivation: Derivation) -> Derivation:
    mistakes, forbidden = [], set()
    for i, word in enumerate(layout.forbid):
        configuration = derivation.find(word)
        if configuration is None:
            known = [c.id for c in derivation.configurations]
            mistakes.append(Mistake(_name(layout), f"forbid.{i}", f"'{word}'",
                                    "the id of a configuration (see: ems modes)", nearest_name(word, known)))
        else:
            forbidden.add(configuration.id)
    if mistakes:
        raise InputError(mistakes)
    return replace(derivation,
                   configurations=tuple(c for c in derivation.configurations if c.id not in forbidden))


class _Mechanism:
    """One actuator state of a layout: its motions and static balances."""

    def __init__(self, layout: Layout, state: ActuatorState) -> None:
        self.layout, self.state = layout, state
        self.sources = (ENGINE, *(m.name for m in layout.machines))
        self.joints = fixed_joints(layout) + engaged_joints(layout, state)
        shafts = (*layout.shafts, WHEEL)
        self.width = len(shafts)
        column = {name: i for i, name in enumerate(shafts)}
        self.wheel = column[WHEEL]
        self.source_columns = [column[layout.engine.shaft], *(column[m.shaft] for m in layout.machines)]
        self.order = [self.wheel, *self.source_columns, *(i for i in range(self.width))]
        self.matrix = constraint_matrix(self.joints, layout.shafts)
        self.motions = null_space(self.matrix, self.width, self.order)
        self.pivots = [next(i for i in self.order if vector[i]) for vector in self.motions]
        self.wheels_locked = not any(vector[self.wheel] for vector in self.motions)

    # -- remarks ---------------------------------------------------------------------------------------------------

    def notes(self) -> list[Interlock]:
        """Locked sources and redundant joints of this state."""
        out = [
            Interlock(self.state, f"{name} cannot turn")
            for name, column in zip(self.sources, self.source_columns, strict=True)
            if not any(vector[column] for vector in self.motions)
        ]
        if len(self.matrix) > rank(self.matrix):
            out.append(Interlock(self.state, "redundant joints: the layout cannot tell how they share the torque"))
        if self._engine_follows_wheels():
            out.append(Interlock(self.state, "a stopped engine holds the wheels; usable with the engine running only"))
        for engine in EngineState:
            is_running = engine is EngineState.RUNNING
            kept = self._kept(self._balances(is_running)[1], is_running)
            out += [Interlock(self.state, f"{name} turns free of wheels and engine while it carries torque; "
                              f"not searched with the engine {engine.value}") for name in self._free_machines(kept)]
        return out

    def lock_reason(self) -> str:
        """Why the wheels cannot turn."""
        brakes = {b.name for b in self.layout.brakes}
        if brakes & set(self.state.closed):
            return "locks the wheels: what is engaged leaves them no motion"
        return "locks the wheels: two ratios at once"

    def _engine_follows_wheels(self) -> bool:
        """The engine's speed is a fixed non-zero multiple of the wheels'."""
        column = self.source_columns[0]
        return bool(self._speed(column)[0]) and column not in self.pivots and not any(
            v[column] for v, p in zip(self.motions, self.pivots, strict=True) if p != self.wheel)

    def _speed(self, column: int) -> tuple[Fraction, Fraction]:
        """Speed of a shaft per wheel speed and per free engine speed, everything else at rest."""
        wheel, free = Fraction(0), Fraction(0)
        for vector, pivot in zip(self.motions, self.pivots, strict=True):
            if pivot == self.wheel:
                wheel = vector[column]
            elif pivot == self.source_columns[0]:
                free = vector[column]
        return wheel, free

    # -- the configuration -----------------------------------------------------------------------------------------

    def configuration(self, engine: EngineState) -> Configuration | None:
        """This state with an engine state, or None where the two do not go together."""
        running = engine is EngineState.RUNNING
        engine_column = self.source_columns[0]
        if running and not any(vector[engine_column] for vector in self.motions):
            return None                                     # the engine's shaft is locked
        if not running and self._engine_follows_wheels():
            return None                                     # a stopped engine would hold the wheels
        balances, groups = self._balances(running)
        wheel = len(self.sources)
        engine_group, wheel_group = self._group(groups, 0), self._group(groups, wheel)
        kept = self._kept(groups, running)
        free = running and engine_column in self.pivots
        idling = running and not engine_group
        if self._free_machines(kept):
            return None                                     # a free speed beside the engine's: a note says so
        zero = Fraction(0)
        speed = {c: self._speed(c) for c in range(self.width)}
        if not free:
            speed = {c: (w, zero) for c, (w, _) in speed.items()}
        kept_balances = reduced_rows([b for b in balances if all(j in kept for j in range(wheel + 1) if b[j])])[0]
        names = tuple(self.sources[j] for j in kept if j != wheel)
        configuration = Configuration(
            id=f"{'on' if running else 'off'}:{self.state.words}", state=self.state, engine=engine,
            kind=self._kind(running, engine_group, wheel_group),
            sources=self.sources,
            speed_map=tuple(speed[c] for c in self.source_columns),
            shaft_map=tuple(speed[c] for c in range(self.width)),
            free_speed=ENGINE if free else None, idling=idling,
            wheel_driven=bool(wheel_group), active=names,
            balances=tuple(tuple(b) for b in kept_balances),
            degrees_of_freedom=(1 if free and not idling else 0) + self._free_torques(kept_balances, wheel),
            ratio=speed[engine_column][0] if running and not free else None,
            speed_range_kmh=(0.0, 0.0), hold_W=self._hold_W(),
        )
        span = speed_range_kmh(self.layout, configuration)
        return None if span is None else replace(configuration, speed_range_kmh=span)

    def _balances(self, running: bool) -> tuple[Matrix, list[set[int]]]:
        """Balances over (sources, wheels), without the engine's torque when it is stopped, and their linked groups."""
        rows = [[vector[c] for c in (*self.source_columns, self.wheel)] for vector in self.motions]
        width = len(self.sources) + 1
        if not running:
            rows = [*rows, [Fraction(1)] + [Fraction(0)] * (width - 1)]     # torque of a stopped engine is zero
        basis = null_space(rows, width)
        return basis, connected(basis, width)

    @staticmethod
    def _group(groups: list[set[int]], member: int) -> set[int]:
        return next((g for g in groups if member in g), set())

    def _kept(self, groups: list[set[int]], running: bool) -> list[int]:
        """Sources (and the wheels) linked to the wheels or to a running engine; others only turn each other."""
        return sorted((self._group(groups, 0) if running else set()) | self._group(groups, len(self.sources)))

    def _free_machines(self, kept: list[int]) -> list[str]:
        """Machines that can carry torque at a speed set neither by the wheels nor by the engine."""
        others = [v for v, p in zip(self.motions, self.pivots, strict=True)
                  if p not in (self.wheel, self.source_columns[0])]
        return [self.sources[j] for j in kept
                if j < len(self.sources) and any(v[self.source_columns[j]] for v in others)]

    def _kind(self, running: bool, engine_group: set[int], wheel_group: set[int]) -> Kind:
        wheel = len(self.sources)
        machines = set(range(1, wheel))
        drives = bool(wheel_group & machines)
        if not running:
            return Kind.ELECTRIC if drives else Kind.NEUTRAL
        if wheel in engine_group:
            if self.source_columns[0] in self.pivots:
                return Kind.POWER_SPLIT
            return Kind.PARALLEL if drives else Kind.ENGINE
        if engine_group & machines:
            return Kind.SERIES if drives else Kind.CHARGING
        return Kind.ELECTRIC_IDLING if drives else Kind.NEUTRAL_IDLING

    def _free_torques(self, balances: Matrix, wheel: int) -> int:
        """Dimension of the balances once the wheel torque is given."""
        reaches = any(b[wheel] for b in balances)
        return len(balances) - (1 if reaches else 0)

    def _hold_W(self) -> float:
        hold = {c.name: c.hold_W for c in self.layout.clutches} | {b.name: b.hold_W for b in self.layout.brakes}
        shifters = {s.name: s.hold_W for s in self.layout.shifters}
        engaged = sum(hold[name] for name in self.state.closed)
        return math.fsum([engaged, *(shifters[name] for name, position in self.state.shifters if position is not None)])

    def telling_shafts(self, c: Configuration) -> tuple[tuple[Fraction, Fraction], ...]:
        """Speeds of the shafts that have an inertia or a speed limit of their own."""
        own = self.layout.shaft_properties
        return tuple(speed for name, speed in zip(self.layout.shafts, c.shaft_map, strict=False)
                     if name in own and (own[name].inertia_kgm2 or own[name].max_rad_s is not None))

    def loaded_meshes(self, c: Configuration) -> tuple[str, ...]:
        """Lossy joints that carry torque in some balance of the configuration."""
        load = _joint_loads(self.matrix, self.source_columns, self.wheel, c)
        return tuple(j.name for j, used in zip(self.joints, load, strict=True) if used and j.efficiency < 1)


def _joint_loads(matrix: Matrix, source_columns: list[int], wheel: int, c: Configuration) -> list[bool]:
    """Whether each joint carries torque under some usable balance: solves ``A^T load = -torques`` exactly."""
    columns = transpose(matrix)
    used = [False] * len(matrix)
    for balance in c.balances:
        torque = [Fraction(0)] * len(columns)
        for j, column in enumerate((*source_columns, wheel)):
            torque[column] += balance[j]
        rows, pivots = reduced_rows([[*row, -t] for row, t in zip(columns, torque, strict=True)])
        for row, pivot in zip(rows, pivots, strict=True):
            if pivot < len(matrix) and row[-1]:
                used[pivot] = True
    return used
