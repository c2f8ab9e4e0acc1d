"""The best choices at the states of a trip, played second by second."""

from __future__ import annotations

from ems.judge.ledger import Ledger
from ems.plant.trace import Trace, trace
from ems.solve.problem import fixed_costs


def best_trace_of(chosen: Trace, entries: Ledger) -> Trace:
    """The best choices at the driven states, played second by second: labels and powers, not a trip that could be driven."""
    tables = entries.problem.tables
    return trace(chosen.plant, chosen.demand, tables.demands, tables.demand_of, entries.best_node, entries.best_choice,
                 entries.driven.energy_J, *fixed_costs(chosen.plant))
