"""One actuator state of a layout: its motions, its static balances, and what it is with an engine state.

The null space of the joints is every motion; restricted to sources and wheels its orthogonal complement is every
lossless static balance of torques (virtual power). A slipping clutch is open for the motions and closed for the
balances: it carries a torque that nothing but its capacity decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

from ems.configurations.exact import Matrix, Row, connected, null_space, rank, reduced_rows, transpose
from ems.configurations.kinematics import (
    WHEEL,
    ActuatorState,
    carrying_joints,
    constraint_matrix,
    engaged_joints,
    fixed_joints,
    one_way_joint,
)
from ems.configurations.limits import drags, load_limits, slips, speed_limits
from ems.configurations.model import Configuration, EngineState, Interlock, Kind
from ems.configurations.speed_range import speed_range_kmh
from ems.layout.model import Layout

ENGINE = "engine"
ZERO = Fraction(0)


class Mechanism:
    """An actuator state's motions and balances.

    sources : engine and machines          source_columns, wheel : their places in a motion
    motions : basis of all motions, each one at its own pivot: wheels, engine, machines (the strongest first), shafts
    """

    def __init__(self, layout: Layout, state: ActuatorState) -> None:
        self.layout, self.state = layout, state
        self.sources = (ENGINE, *(m.name for m in layout.machines))
        shafts = (*layout.shafts, WHEEL)
        self.width = len(shafts)
        self.column = {name: i for i, name in enumerate(shafts)}
        self.wheel = self.column[WHEEL]
        self.source_columns = [self.column[layout.engine.shaft], *(self.column[m.shaft] for m in layout.machines)]
        by_power = sorted(layout.machines, key=lambda m: -m.machine.rated_power_W)
        self.order = [self.wheel, self.source_columns[0], *(self.column[m.shaft] for m in by_power), *range(self.width)]
        self.joints = fixed_joints(layout) + carrying_joints(layout, state)
        self.matrix = constraint_matrix(self.joints, layout.shafts)
        self.carried = null_space(self.matrix, self.width, self.order)
        self.motions = self.carried if not state.slipping else null_space(
            constraint_matrix(fixed_joints(layout) + engaged_joints(layout, state), layout.shafts),
            self.width, self.order)
        self.pivots = [next(i for i in self.order if vector[i]) for vector in self.motions]
        self.wheels_locked = not any(vector[self.wheel] for vector in self.carried)

    # -- speeds ----------------------------------------------------------------------------------------------------

    def speed_of(self, terms: Sequence[tuple[str, Fraction]]) -> tuple[Fraction, Fraction] | None:
        """``sum(coefficient * speed)`` per wheel speed and per free engine speed.

        None when some other motion changes it, so that nothing says what it is.
        """
        wheel, free = ZERO, ZERO
        for vector, pivot in zip(self.motions, self.pivots, strict=True):
            value = sum((c * vector[self.column[shaft]] for shaft, c in terms), ZERO)
            if pivot == self.wheel:
                wheel = value
            elif pivot == self.source_columns[0]:
                free = value
            elif value:
                return None
        return wheel, free

    def _speed(self, column: int) -> tuple[Fraction, Fraction]:
        """Speed of a shaft per wheel speed and per free engine speed, everything else at rest."""
        wheel, free = ZERO, ZERO
        for vector, pivot in zip(self.motions, self.pivots, strict=True):
            if pivot == self.wheel:
                wheel = vector[column]
            elif pivot == self.source_columns[0]:
                free = vector[column]
        return wheel, free

    def _engine_follows_wheels(self) -> bool:
        """The engine's speed is a fixed non-zero multiple of the wheels'."""
        return self._follows(self.motions)

    def _follows(self, motions: Matrix) -> bool:
        """Whether the engine's speed is a fixed non-zero multiple of the wheels' in these motions."""
        engine = self.source_columns[0]
        moving = [v for v in motions if v[engine]]
        return len(moving) == 1 and bool(moving[0][self.wheel])

    # -- whether it can be used at all -----------------------------------------------------------------------------

    def stopped_by_one_way(self) -> str | None:
        """A free one-way clutch that would have to turn the wrong way whenever the car moves forwards."""
        for one_way in self.layout.one_way:
            if one_way.name in self.state.closed:
                continue
            speed = self.speed_of(one_way_joint(one_way).terms)
            if speed is not None and speed[0] > 0 and not speed[1]:
                return one_way.name
        return None

    def has_idle_lock(self) -> bool:
        """Whether a locked one-way clutch joins what other joints join already."""
        names = {w.name for w in self.layout.one_way}
        return any(j.name in names and rank([r for r in self.matrix if r is not row]) == rank(self.matrix)
                   for j, row in zip(self.joints, self.matrix, strict=True))

    def launches(self) -> bool:
        """Whether closing the slipping clutch would couple a free engine to the wheels at a fixed ratio."""
        engine = self.source_columns[0]
        return not self.wheels_locked and engine in self.pivots and self._follows(self.carried)

    def lock_reason(self) -> str:
        """Why the wheels cannot turn."""
        brakes = {b.name for b in self.layout.brakes}
        if brakes & set(self.state.closed):
            return "locks the wheels: what is engaged leaves them no motion"
        return "locks the wheels: two ratios at once"

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
        for engine in (EngineState.STOPPED, EngineState.RUNNING):
            running = engine is EngineState.RUNNING
            out += [Interlock(self.state, f"{name} turns free of wheels and engine; used without its torque only with "
                              f"the engine {engine.value}")
                    for name in self._free_machines(self._kept(self._balances(running)[1], running))]
        return out

    # -- the configuration -----------------------------------------------------------------------------------------

    def configuration(self, engine: EngineState) -> Configuration | None:
        """This state with an engine state, or None where the two do not go together."""
        turning = engine is not EngineState.STOPPED
        if not self._fits(engine):
            return None
        balances, groups = self._balances(turning)
        wheel = len(self.sources)
        usable = [g for g in groups if not self._free_machines(sorted(g))]
        engine_group, wheel_group = self._group(usable, 0), self._group(usable, wheel)
        if engine is EngineState.FUEL_CUT and not engine_group:
            return None                                     # nothing turns the engine
        kept = self._kept(usable, turning)
        free = turning and self.source_columns[0] in self.pivots
        idling = turning and not engine_group
        speed = {c: self._speed(c) for c in range(self.width)}
        if not free:
            speed = {c: (w, ZERO) for c, (w, _) in speed.items()}
        kept_balances = reduced_rows([b for b in balances if all(j in kept for j in range(wheel + 1) if b[j])])[0]
        configuration = Configuration(
            id=f"{engine.prefix}:{self.state.words}", state=self.state, engine=engine,
            kind=self._kind(engine, engine_group, wheel_group),
            sources=self.sources,
            speed_map=tuple(speed[c] for c in self.source_columns),
            shaft_map=tuple(speed[c] for c in range(self.width)),
            free_speed=ENGINE if free else None, idling=idling,
            wheel_driven=bool(wheel_group), active=tuple(self.sources[j] for j in kept if j != wheel),
            balances=tuple(tuple(b) for b in kept_balances),
            degrees_of_freedom=(1 if free and not idling else 0) + self._free_torques(kept_balances, engine),
            ratio=speed[self.source_columns[0]][0] if turning and not free else None,
            speed_range_kmh=(0.0, 0.0), hold_W=self.state.hold_W(self.layout),
            pump_W=self.layout.pump_running_W if turning else self.layout.pump_stopped_W,
            slipping=self.state.slipping, locked=self.state.locked(self.layout),
        )
        return self._with_limits(configuration)

    def _fits(self, engine: EngineState) -> bool:
        """Whether the engine can be in that state at all."""
        if engine is EngineState.STOPPED:
            return not self.state.slipping and not self._engine_follows_wheels()    # it would hold the wheels
        if engine is EngineState.FUEL_CUT and (self.state.slipping or not self.layout.engine.fuel_cut):
            return False
        return any(vector[self.source_columns[0]] for vector in self.motions)       # its shaft is not locked

    def _with_limits(self, c: Configuration) -> Configuration | None:
        """The configuration with limits, drags and speed range; None when no car speed keeps the limits, or when a
        locked one-way clutch has nothing to hold."""
        loaded = dict(zip((j.name for j in self.joints), joint_loads(self.matrix, self.source_columns, self.wheel, c),
                          strict=True))
        if not all(loaded[name] for name in c.locked):
            return None                                     # the same as with the clutch free

        def speed_of(terms: Sequence[tuple[str, Fraction]]) -> tuple[Fraction, Fraction] | None:
            speed = self.speed_of(terms)
            return speed if speed is None or c.free_speed else (speed[0], ZERO)

        slipping = slips(self.layout, c, speed_of)
        full = replace(c, slips=slipping, speed_limits=speed_limits(self.layout, c, speed_of, slipping),
                       load_limits=load_limits(self.layout, [j for j in self.joints if loaded[j.name]], slipping),
                       drags=drags(self.layout, c, speed_of))
        span = speed_range_kmh(self.layout, full)
        return None if span is None else replace(full, speed_range_kmh=span)

    # -- balances --------------------------------------------------------------------------------------------------

    def _balances(self, turning: bool) -> tuple[Matrix, list[set[int]]]:
        """Balances over (sources, wheels), without the engine's torque when it is stopped, and their linked groups."""
        rows = [[vector[c] for c in (*self.source_columns, self.wheel)] for vector in self.carried]
        width = len(self.sources) + 1
        if not turning:
            rows = [*rows, [Fraction(1)] + [ZERO] * (width - 1)]     # torque of a stopped engine is zero
        basis = null_space(rows, width)
        return basis, connected(basis, width)

    @staticmethod
    def _group(groups: list[set[int]], member: int) -> set[int]:
        return next((g for g in groups if member in g), set())

    def _kept(self, groups: list[set[int]], turning: bool) -> list[int]:
        """Sources (and the wheels) linked to the wheels or to a turning engine; others only turn each other."""
        return sorted((self._group(groups, 0) if turning else set()) | self._group(groups, len(self.sources)))

    def _free_machines(self, members: list[int]) -> list[str]:
        """Machines among the members whose speed neither the wheels nor the engine set."""
        others = [v for v, p in zip(self.motions, self.pivots, strict=True)
                  if p not in (self.wheel, self.source_columns[0])]
        return [self.sources[j] for j in members
                if 0 < j < len(self.sources) and any(v[self.source_columns[j]] for v in others)]

    def _kind(self, engine: EngineState, engine_group: set[int], wheel_group: set[int]) -> Kind:
        if engine is EngineState.FUEL_CUT:
            return Kind.OVERRUN
        if self.state.slipping:
            return Kind.LAUNCH
        wheel = len(self.sources)
        machines = set(range(1, wheel))
        drives = bool(wheel_group & {i for i, m in enumerate(self.layout.machines, 1) if m.drives})
        if engine is EngineState.STOPPED:
            return Kind.ELECTRIC if wheel_group & machines else Kind.NEUTRAL
        if wheel in engine_group:
            if self.source_columns[0] in self.pivots:
                return Kind.POWER_SPLIT
            return Kind.PARALLEL if drives else Kind.ENGINE
        if engine_group & machines:
            return Kind.SERIES if drives else Kind.CHARGING
        return Kind.ELECTRIC_IDLING if wheel_group & machines else Kind.NEUTRAL_IDLING

    def _free_torques(self, balances: Matrix, engine: EngineState) -> int:
        """Dimension of the balances once the wheel torque is given, and the engine's where its drag decides it."""
        given = [-1, 0] if engine is EngineState.FUEL_CUT else [-1]
        return len(balances) - rank([[b[j] for j in given] for b in balances])

    def turning_shafts(self, c: Configuration) -> tuple[tuple[Fraction, Fraction], ...]:
        """Speeds of the shafts that have an inertia of their own."""
        own = self.layout.shaft_properties
        return tuple(speed for name, speed in zip(self.layout.shafts, c.shaft_map, strict=False)
                     if name in own and (own[name].inertia_kgm2 or own[name].max_rad_s is not None))

    def loaded_meshes(self, c: Configuration) -> tuple[str, ...]:
        """Lossy joints that carry torque in some balance of the configuration."""
        load = joint_loads(self.matrix, self.source_columns, self.wheel, c)
        return tuple(j.name for j, used in zip(self.joints, load, strict=True) if used and j.efficiency < 1)


def joint_loads(matrix: Matrix, source_columns: list[int], wheel: int, c: Configuration) -> list[bool]:
    """Whether each joint carries torque under some usable balance: solves ``A^T load = -torques`` exactly."""
    columns = transpose(matrix)
    used = [False] * len(matrix)
    for balance in c.balances:
        torque: Row = [ZERO] * len(columns)
        for j, column in enumerate((*source_columns, wheel)):
            torque[column] += balance[j]
        rows, pivots = reduced_rows([[*row, -t] for row, t in zip(columns, torque, strict=True)])
        for row, pivot in zip(rows, pivots, strict=True):
            if pivot < len(matrix) and row[-1]:
                used[pivot] = True
    return used

