"""The bound raised in cells computed anew from what ``tables.npz`` holds, with nothing but numpy (``alone.py``)."""

from __future__ import annotations

import numpy as np
import pytest

from ems.solve.cells import raised_bound_g
from ems.solve.dump import problem_arrays
from ems.solve.room import Room
from tests.solve.alone import bound_in_cells_g

NARROW = ("battery.soc_low=0.535", "battery.soc_high=0.565")
CASES = [("series", 160, 330, (), (500, 1500)), ("series", 160, 260, NARROW, (300, 900)), ("input-split", 160, 310, (), (1500,))]


@pytest.mark.parametrize(("layout", "begin", "end", "overrides", "counts"), CASES, ids=["series", "narrow-window", "input-split"])
def test_raised_bound_of_the_file_alone(pieces, monkeypatch, layout, begin, end, overrides, counts):
    """With the same slopes and as many cells over the whole window: the claim is never above the bound computed here, which bounds the
    battery's losses in every single cell, and comes near it; it rises above the affine bound and both stay below the trip."""
    found = pieces.optimum(layout, "udds", begin, end, overrides)
    window = Room(*(np.full((2, end - begin + 1), each) for each in found.problem.window_J))
    monkeypatch.setattr("ems.solve.cells.room_of", lambda *_: window)
    file, objective = problem_arrays(found), found.objective_g
    for cells in counts:
        by_g = 1.02 * (objective - found.bound.bound_g) + 1e-6
        claim, own = raised_bound_g(found.problem, found.bound, by_g, cells), bound_in_cells_g(file, file["costate_g_J"], cells)
        assert claim <= own + 1e-9 * objective
        assert claim >= own - 5e-4 * objective
        assert own <= objective * (1 + 1e-9)
    assert claim > found.bound.bound_g + 1e-6 * objective        # there is something to raise
