"""The lower bound raised in cells of stored energy: above the affine one, below every trip.

Source: weak duality with reduced costs (Bertsekas, Dynamic Programming and Optimal Control, sec. 6.2; from memory); derived.
"""

from __future__ import annotations

import numpy as np
import pytest

from ems.kernels.cells import BLOCK
from ems.solve.cells import raised_bound_g, window_in_cells


@pytest.mark.parametrize(("layout", "piece"), [("series", ("udds", 160, 330)), ("input-split", ("udds", 160, 310))])
def test_raised_bound_lies_between_affine_bound_and_trip(pieces, layout, piece):
    """More cells never lower it by more than rounding when each divides the ones before; no number of them passes a trip that exists."""
    found = pieces.optimum(layout, *piece)
    raised = [raised_bound_g(found.problem, found.bound, found.objective_g, count) for count in (250, 1000, 4000)]
    assert found.bound.bound_g - 1e-9 <= raised[0] <= raised[1] + 1e-9 <= raised[2] + 2e-9
    assert raised[2] <= found.objective_g + 1e-9


def test_raised_bound_stays_below_when_a_worse_trip_is_named(pieces):
    """Naming a trip of 1 % more fuel only widens what is looked at: the bound may not pass the better trip."""
    found = pieces.optimum("series", "udds", 160, 330)
    assert raised_bound_g(found.problem, found.bound, 1.01 * found.objective_g, 1000) <= found.objective_g + 1e-9


def test_cells_hold_the_extremes_of_the_battery(pieces):
    """R / V^2 at random energies lies within the extremes of its cell (numpy, from the battery's own table)."""
    problem = pieces.optimum("series", "udds", 160, 330).problem
    cells, battery = window_in_cells(problem, 37), problem.plant.layout.battery
    energy = np.random.default_rng(3).uniform(*problem.window_J, 5000)
    soc = battery.soc_at(energy)
    x = np.interp(soc, battery.soc, battery.resistance_discharge_ohm) / np.interp(soc, battery.soc, battery.voltage_V) ** 2
    cell = np.clip(np.searchsorted(cells.edge, energy - problem.target_J, side="right") - 1, 0, cells.edge.size - 2) // BLOCK
    assert np.all(x >= cells.out_least[cell] * (1 - 1e-12))
    assert np.all(x <= cells.out_most[cell] * (1 + 1e-12))
