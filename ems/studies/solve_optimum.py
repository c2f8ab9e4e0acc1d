"""The optimum as a study solves it: first tables shared with the case before where nothing they depend on differs."""

from __future__ import annotations

from ems.layout.model import Layout
from ems.solve.optimum import Optimum
from ems.studies.how import How
from ems.studies.solvers import Solved
from ems.tables.shared import shared_tables
from ems.trips.cycle import Cycle
from ems.trips.digest import cycle_digest

_last: dict[tuple[object, ...], Optimum] = {}
"""The optimum solved last in this process, by all that determines it: a strategy of the same case, or of the next, is held against it"""


def optimum_of(layout: Layout, cycle: Cycle, how: How) -> Optimum:
    """The optimum of a case; solved unless it was the last one here."""
    key = (layout.digest, cycle_digest(cycle), how.charge, how.grid, how.lanes, how.dwell, how.engine_on, how.engine_off, how.cold, how.gap)
    if key not in _last:
        _last.clear()
        _last[key] = how.optimum(layout, cycle, how.charge, first_tables=shared_tables)
    return _last[key]


def solve_optimum(layout: Layout, cycle: Cycle, how: How) -> Solved:
    """Columns and trip of ``ems.optimum``."""
    found = optimum_of(layout, cycle, how)
    return Solved(found.to_dict(), found.to_frame)
