"""The optimum as a study solves it: first tables shared with the case before where nothing they depend on differs."""

from __future__ import annotations

from ems.layout.model import Layout
from ems.plant.plant import LANES
from ems.solve.optimum import optimum
from ems.studies.solvers import How, Solved
from ems.tables.build import DEFAULT_GRID, refined
from ems.tables.shared import shared_tables
from ems.trips.cycle import Cycle


def solve_optimum(layout: Layout, cycle: Cycle, how: How) -> Solved:
    """Columns and trip of ``ems.optimum``."""
    grid = DEFAULT_GRID if how.grid == 1 else refined(DEFAULT_GRID, how.grid)
    lanes = LANES if how.lanes is None else how.lanes
    found = optimum(layout, cycle, charge=how.charge, grid=grid, lanes=lanes, first_tables=shared_tables)
    return Solved(found.to_dict(), found.to_frame)
