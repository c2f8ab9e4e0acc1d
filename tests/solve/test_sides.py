"""Which nodes are searched on two sides, and that both searches find the same least cost of a second."""

from __future__ import annotations

import numpy as np
import pytest

from ems.kernels.battery import electrochemical
from ems.layout.load import load_layout
from ems.plant.plant import build_plant
from ems.tables.build import DEFAULT_GRID, conceivable, distinct_demands, whole_rows
from ems.tables.sides import apart, side_rows

ROOM = 3e-3     # g/s: the two sides take supports on slopes of their own; the whole search has a quarter of their points


def ids(name, overrides=()):
    plant = build_plant(load_layout(name, overrides=overrides), lanes=1)
    return {plant.configuration(n).id for n in np.flatnonzero(apart(plant))}


def test_sides_are_apart_where_only_the_battery_joins_them():
    """By hand: series, and charging at standstill; never a power split, whose set joins engine and wheels."""
    assert ids("series") == {"on:open"}
    assert ids("input-split") == set()
    assert {"on:K1+S1=first", "on:K1+S1=third"} <= ids("three-clutch")
    assert "on:K1+K2+S1=first" not in ids("three-clutch")               # the engine drives the wheels


def test_an_open_clutch_that_drags_joins_the_sides():
    """K2 lies between the engine's shaft and one that turns with the wheels in first."""
    assert "on:K1+S1=first" not in ids("three-clutch", ("clutches.K2.drag_Nm=0.4",))


@pytest.mark.parametrize("name", ["series", "three-clutch"])
def test_both_searches_find_the_same(pieces, name):
    """Least fuel + slope x electrochemical power of every demand and node: searched as one it is nowhere lower, and higher in the mean."""
    plant = build_plant(load_layout(name), lanes=6)
    demands, _ = distinct_demands(plant, pieces.demand(name, "udds", 20, 60))
    wanted = conceivable(plant, demands) & apart(plant)[None, :]
    slopes = np.full((wanted.shape[0], 1), 2.6 / plant.heating_value_J_g)
    least = []
    for search in (whole_rows, side_rows):
        rows, row_of = search(plant, demands, wanted, DEFAULT_GRID, slopes)
        x = plant.nominal_x
        cost = rows.fuel + slopes[0, 0] * np.array([electrochemical(P, x) for P in rows.power])
        starts = np.concatenate([[0], np.cumsum(rows.counts)])
        least.append(np.array([cost[starts[r]:starts[r + 1]].min(initial=np.inf) for r in row_of[wanted]]))
    whole, sides = least
    both = np.isfinite(whole)
    assert np.array_equal(both, np.isfinite(sides)) and both.sum() > 20
    assert (sides[both] <= whole[both] + ROOM).all() and np.mean(sides[both]) < np.mean(whole[both])
