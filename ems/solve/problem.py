"""The tabulated problem that costate, dynamic programming and certificate all solve."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ems.kernels.changes import Changes, Links, links_of
from ems.kernels.jit import share_out
from ems.kernels.sweep import Points
from ems.kernels.transitions import make_scratch, stored_energies
from ems.plant.counters import NO_WAITS, Waits, counted_states
from ems.plant.plant import Plant
from ems.tables.build import Tables
from ems.trips.demand import Demand
from ems.types import Array, BoolArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Frontier points by interval and node, transition costs, battery, and where the trip starts and must end.

    points : frontier points                           changes : transition costs; states are nodes with their counters
    alive : (K, N) nodes that can still be part of an optimum
    start_J, target_J : stored energy at the start, and at least to be had at the end [J]
    source : (Q,) where each point stands in the tables; None where they are the tables' own
    links : the changes in a list, made from ``changes`` and ``points``
    """

    tables: Tables
    points: Points
    changes: Changes
    alive: BoolArray
    start_J: float
    target_J: float
    source: IntArray | None = None
    links: Links = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "links", links_of(self.changes, self.points.count))

    @property
    def plant(self) -> Plant:
        """Plant the tables were made from."""
        return self.tables.plant

    @property
    def fuel_factor(self) -> Array:
        """(K,) fuel of the engine over that of a warm one."""
        factor: Array = self.points.burn / self.points.dt
        return factor

    @property
    def states(self) -> int:
        """How many states a trip can be in: nodes, with their counters where there are any."""
        return int(self.changes.open.shape[1])

    @property
    def window_J(self) -> tuple[float, float]:
        """Usable window of stored energy [J]."""
        return self.plant.battery.low_J, self.plant.battery.high_J


def build_problem(tables: Tables, start_J: float, target_J: float, changes: Changes | None = None,
                  fuel_factor: Array | None = None) -> Problem:
    """The problem of a set of tables; ``changes`` may be handed on from an earlier problem on the same trip.

    fuel_factor : (K,) fuel over that of the warm engine; 1 when None
    """
    count, dt = tables.count[tables.demand_of], tables.demand.dt_s
    burn = dt if fuel_factor is None else dt * fuel_factor
    points = Points(tables.first[tables.demand_of], count, tables.fuel_g_s, tables.power_W, dt, burn)
    return Problem(tables, points, changes or transition_costs(tables), count > 0, start_J, target_J)


def with_tables(problem: Problem, tables: Tables) -> Problem:
    """The same problem on other tables of the same plant and trip."""
    return build_problem(tables, problem.start_J, problem.target_J, problem.changes, problem.points.burn / problem.points.dt)


def transition_costs(tables: Tables, waits: Waits = NO_WAITS) -> Changes:
    """Costs of every change at the start of every interval, and what must be waited for before one."""
    plant, demand = tables.plant, tables.demand
    stored, live = change_energies(plant, demand, tables.count[tables.demand_of])
    fuel, price = fixed_costs(plant)
    return Changes(fuel + price, stored, live, *counted_states(plant, waits, float(demand.dt_s.min())))


def change_energies(plant: Plant, demand: Demand, count: IntArray) -> tuple[Array, BoolArray]:
    """(K, N + 1, N) energy that every change takes from the store [J], and whether it is possible.

    count : (K, N) points of each node, 0 where it is not possible
    """
    nodes = len(plant.nodes)
    wheel_speed = demand.boundary_speed_m_s[:-1] / plant.layout.vehicle.wheel_radius_m
    shape = wheel_speed.size, nodes + 1, nodes
    stored, live = np.zeros(shape), np.empty(shape, bool)
    share_out(stored_energies, wheel_speed.size, plant.transitions, wheel_speed, demand.dt_s, count, stored, live,
              scratch=lambda: make_scratch(plant.transitions))
    return stored, live


def fixed_costs(plant: Plant) -> tuple[Array, Array]:
    """(start fuel, shift and start price) of every change [g], (N + 1, N); the last row from rest."""
    nodes = len(plant.nodes)
    running = np.array([plant.transitions.engine_mode[n] != 0 for n in range(nodes)])
    states = [plant.configuration(n).state for n in range(nodes)]
    start = np.zeros((nodes + 1, nodes))
    start[:nodes] = np.where(~running[:, None] & running[None, :], 1.0, 0.0)
    start[nodes] = running
    shift = np.zeros((nodes + 1, nodes))
    shift[:nodes] = [[float(a != b) for b in states] for a in states]
    layout = plant.layout
    return start * plant.transitions.start_fuel, start * layout.start_price_g + shift * layout.shift_price_g
