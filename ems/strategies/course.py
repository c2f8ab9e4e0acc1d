"""A plant on a trip, ready to be driven: demand, what is possible each second, what changes cost. Made once, driven many times."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from ems.errors import CycleNotFollowed
from ems.kernels.battery import state
from ems.kernels.changes import HUGE, Changes
from ems.kernels.equivalent import Frontier
from ems.kernels.plant import Bench, make_bench
from ems.kernels.simulate import Second
from ems.layout.model import Layout
from ems.plant.plant import LANES, Plant, build_plant
from ems.solve.problem import change_energies, fixed_costs, transition_costs
from ems.solve.shortfall import shortfall
from ems.tables.build import DEFAULT_GRID, Tables, build_tables, coarse, conceivable
from ems.trips.cycle import Cycle
from ems.trips.demand import Demand
from ems.trips.demand import demand as demand_of_cycle
from ems.types import Array, BoolArray, IntArray

CHANGE_MARGIN = 1.2     # energy kept for a change, over what it takes or gives now


Row = tuple[float, float, float, float, float, float, float, float]


@dataclass(frozen=True, eq=False)
class Course:
    """Plant, cycle, demand, tables of what is possible, costs of changes.

    The tables tell a strategy what each configuration could do in the present second, and the simulator where to fall back to;
    choices are made continuously. nodes_of : id of a configuration -> its nodes, one a lane of its free engine speed.
    """

    plant: Plant
    cycle: Cycle
    demand: Demand
    tables: Tables
    changes: Changes
    fixed_fuel_g: Array
    fixed_price_g: Array
    nodes_of: dict[str, tuple[int, ...]] = field(default_factory=dict)

    @cached_property
    def seconds(self) -> list[Second]:
        """Demand of every interval for the kernels."""
        d, of = self.tables.demands, self.tables.demand_of
        columns = (d.wheel_speed[of], d.wheel_acceleration[of], d.wheel_torque[of], d.auxiliary[of], self.demand.dt_s)
        rows = zip(*(column.tolist() for column in columns), strict=True)
        return [Second(ww, alpha, Tw, aux, dt, d.axle_least[u]) for (ww, alpha, Tw, aux, dt), u in zip(rows, of, strict=True)]

    @cached_property
    def bench(self) -> Bench:
        """Scratch memory for the kernels; a course is driven by one thread at a time."""
        return make_bench(self.plant.arrays)

    @cached_property
    def rows(self) -> list[Row]:
        """What the road asks, by interval, in the order of ``Situation``: time_s to auxiliary_W."""
        d = self.demand
        columns = (d.time_s, d.dt_s, d.speed_m_s, d.acceleration_m_s2, d.grade, d.force_N, d.power_W, d.auxiliary_W)
        return list(zip(*(column.tolist() for column in columns), strict=True))

    @cached_property
    def undivided(self) -> Plant:
        """The plant with one lane, as strategies see it: a node a configuration, in the same order."""
        return undivided(self.plant)

    @cached_property
    def able_configurations(self) -> BoolArray:
        """(K, C) whether a configuration can follow the demand, the battery's charge left aside."""
        out = np.zeros((self.able.shape[0], len(self.plant.derivation.configurations)), bool)
        for n, node in enumerate(self.plant.nodes):
            out[:, node.configuration] |= self.able[:, n]
        return out

    @cached_property
    def able(self) -> BoolArray:
        """(K, N) whether a node can follow the demand, the battery's charge left aside."""
        return self.tables.count[self.tables.demand_of] > 0

    @cached_property
    def configuration_of(self) -> IntArray:
        """(N,) number of the configuration of every node."""
        return np.array([n.configuration for n in self.plant.nodes])

    @cached_property
    def ids(self) -> list[str]:
        """Id of the configuration of every node."""
        return [self.plant.configuration(n).id for n in range(len(self.plant.nodes))]

    def soc(self, energy_J: float) -> float:
        """State of charge at a stored energy."""
        return float(state(self.plant.battery, energy_J)[0])

    def frontier(self, interval: int) -> Frontier:
        """Points of one interval."""
        u = self.tables.demand_of[interval]
        return Frontier(self.tables.first[u], self.tables.count[u], self.tables.fuel_g_s, self.tables.power_W, self.tables.choice)

    def possible(self, interval: int) -> tuple[str, ...]:
        """Ids of the configurations with a choice in an interval."""
        return tuple(self.plant.derivation.configurations[int(c)].id for c in np.flatnonzero(self.able_configurations[interval]))

    def keep(self, interval: int, reserve_s: float) -> Array:
        """(N, 3) what is kept of the battery's window in each node (see ``ems.kernels.simulate.room``): nothing without a reserve."""
        if reserve_s <= 0.0:
            return self._nothing
        kept: Array = self._kept[interval]
        kept[:, 0] = reserve_s
        return kept

    @cached_property
    def _nothing(self) -> Array:
        return np.zeros((len(self.plant.nodes), 3))

    @cached_property
    def _kept(self) -> Array:
        """(K, N, 3) with the energy that the dearest engine start takes from each node in which the engine stands still, and that the
        change which gives most back brings; with a margin, and at most a fifth of the window."""
        N, running = len(self.plant.nodes), np.array(self.running)
        able = self.able
        stored = self.changes.stored[:, :N, :]
        stored = np.where(able[:, None, :] & (stored < HUGE), stored, 0.0)
        kept = np.zeros((*able.shape, 3))
        if running.any():
            kept[:, :, 1] = np.where(running, 0.0, np.maximum(stored[:, :, running], 0.0).max(axis=2))
        kept[:, :, 2] = np.maximum(-stored, 0.0).max(axis=2)
        window = self.plant.battery.high_J - self.plant.battery.low_J
        return np.minimum(CHANGE_MARGIN * kept, 0.2 * window)

    @cached_property
    def running(self) -> list[bool]:
        """Whether the engine runs, by node."""
        return [bool(mode) for mode in self.plant.transitions.engine_mode]

    def energy_J(self, soc: float) -> float:
        """Stored energy at a state of charge."""
        return float(self.plant.layout.battery.energy_J(soc))


def undivided(plant: Plant) -> Plant:
    """The plant with one lane: a node a configuration, in the same order."""
    return plant if max(n.lane for n in plant.nodes) == 0 else build_plant(plant.layout, plant.derivation, lanes=1)


def course_of(layout: Layout, cycle: Cycle, plant: Plant | None = None) -> Course:
    """Prepare a layout for a cycle.

    Raises ``CycleNotFollowed`` where no configuration can follow it.
    """
    plant = plant or build_plant(layout, lanes=LANES)
    demand = demand_of_cycle(cycle, layout.vehicle)
    tables = build_tables(plant, demand, coarse(DEFAULT_GRID), np.zeros(0))
    short = shortfall(tables)
    if short is not None:
        raise CycleNotFollowed(layout.name, cycle.name, short)
    fuel, price = fixed_costs(plant)
    nodes: dict[str, tuple[int, ...]] = {}
    for i, c in enumerate(plant.derivation.configurations):
        own = tuple(n for n, node in enumerate(plant.nodes) if node.configuration == i)
        nodes.setdefault(c.id, own)
        prefix = c.id.split(":")[0]
        for word in c.equivalents:
            nodes.setdefault(f"{prefix}:{word}", own)
    return Course(plant, cycle, demand, tables, _conceivable_changes(tables), fuel, price, nodes)


def _conceivable_changes(tables: Tables) -> Changes:
    """Costs of changes between all nodes that may be possible, whether the tables found a choice in them or not; ``HUGE`` energy for
    others, so that no strategy makes them."""
    count = conceivable(tables.plant, tables.demands)[tables.demand_of].astype(np.int64)
    stored, live = change_energies(tables.plant, tables.demand, count)
    return transition_costs(tables)._replace(stored=np.where(live, stored, HUGE), live=live)
