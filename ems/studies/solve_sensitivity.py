"""What one per cent of each quantity changes, as a study solves it."""

from __future__ import annotations

from typing import Any

from ems.judge.sensitivity import Row, sensitivity
from ems.layout.model import Layout
from ems.plant.plant import LANES
from ems.studies.how import How
from ems.studies.options import grid_of
from ems.studies.solvers import Solved
from ems.trips.cycle import Cycle


def solve_sensitivity(layout: Layout, cycle: Cycle, how: How) -> Solved:
    """Per cent of fuel for one per cent of each quantity; where solved again ``NAME.low`` and ``NAME.high`` are the ends of its bar."""
    found = sensitivity(layout, cycle, charge=how.charge, grid=grid_of(how.grid), lanes=how.lanes or LANES, quantities=how.quantities,
                        resolve=not how.costate_only)
    columns: dict[str, Any] = {}
    for row in sorted(found.rows, key=lambda row: row.quantity):
        columns |= _columns(row, found.fuel.value)
    return Solved({"sensitivity": columns})


def _columns(row: Row, fuel_l_per_100km: float) -> dict[str, Any]:
    if row.elasticity is not None:
        bar = row.elasticity
        return {row.quantity: bar.value, f"{row.quantity}.low": bar.low, f"{row.quantity}.high": bar.high}
    envelope = row.envelope_per_percent
    return {row.quantity: None if envelope is None else 100.0 * envelope / fuel_l_per_100km}
