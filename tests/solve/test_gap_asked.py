"""``--gap``: more is done until the gap asked for is certified, or the answer says that it is not."""

from __future__ import annotations

import io

import pytest
from rich.console import Console

from ems.kernels.frontier import Grid
from ems.layout.load import load_layout
from ems.present.optimum_text import optimum_text
from ems.solve.optimum import optimum


@pytest.fixture(scope="module")
def piece(pieces):
    """Three minutes of UDDS, and how a layout is solved on it."""
    cycle, grid = pieces.cycle("udds", 160, 338), Grid(4, 6, 3, 3, 4, 4, 12)
    return lambda gap: optimum(load_layout("series-parallel"), cycle, grid=grid, lanes=1, gap_percent=gap)


def test_a_gap_that_the_usual_effort_misses_is_reached(piece):
    """More is done for it, nothing is said of it, and no trip that either run found lies below the bound of the other."""
    usual = piece(None)
    wanted = 0.5 * usual.gap_percent
    asked = piece(wanted)
    assert 0.0 <= asked.gap_percent <= wanted < usual.gap_percent
    assert "gap asked for" not in _words(asked) + _words(usual)
    assert asked.lower_bound_g <= usual.objective_g and usual.lower_bound_g <= asked.objective_g


def test_a_gap_that_no_effort_reaches_is_told(piece):
    """Cells of stored energy are finite: some slack is always left, and said."""
    found = piece(1e-9)
    assert found.gap_percent > 1e-9 and "gap asked for" in _words(found)


def _words(found):
    console = Console(width=200, record=True, file=io.StringIO())
    for line in optimum_text(found):
        console.print(line)
    return console.export_text()
