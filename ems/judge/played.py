"""Choices that were no trip, played through the plant: the best ones at the states of a trip, and alternatives of one second."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import numpy as np

from ems.judge.ledger import Ledger
from ems.plant.trace import Trace, trace
from ems.solve.problem import Problem, fixed_costs
from ems.trips.demand import Demand
from ems.types import Array


def best_trace_of(chosen: Trace, entries: Ledger) -> Trace:
    """The best choices at the driven states, played second by second: labels and powers, not a trip that could be driven."""
    tables = entries.problem.tables
    return trace(chosen.plant, chosen.demand, tables.demands, tables.demand_of, entries.best_node, entries.best_choice,
                 entries.driven.energy_J, *fixed_costs(chosen.plant))


def modes_beside(problem: Problem, k: int, energy_J: float, nodes: Sequence[int], choices: Sequence[Array]) -> list[str]:
    """Mode label of each of several choices in interval ``k``."""
    if not nodes:
        return []
    tables, count = problem.tables, len(nodes)
    demand = Demand(**{f.name: np.full(count + (f.name == "boundary_speed_m_s"), getattr(tables.demand, f.name)[k])
                       for f in fields(Demand)})
    played = trace(problem.plant, demand, tables.demands, np.full(count, tables.demand_of[k]), np.array(nodes), np.vstack(choices),
                   np.full(count + 1, energy_J), *fixed_costs(problem.plant))
    return [str(mode) for mode in played.columns["mode"]]
