"""The room that is left to trips near the bound, against trips driven by chance. All derived: what a trip does is no argument but the fact.

Trips are drawn from the points and changes near the bound and driven with exact energies; those that keep to the window, end with the
charge asked for and cost no more than the room is for must lie in it, before and after every change.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ems.kernels.sweep import internal_power
from ems.layout.load import load_layout
from ems.solve.certificate import pruned
from ems.solve.dynamic import objective_g
from ems.solve.optimum import optimum
from ems.solve.room import _drawn, room_of
from tests.solve.conftest import SMALL, Pieces, trip_at_random

PIECES = {                                  # layout, piece, charge, slack in shares of the trip's fuel
    "series": ("series", ("udds", 165, 172), (0.55, 0.55), 0.8),
    "changes, and charge to spare": ("parallel-six", ("udds", 168, 170), (0.56, 0.552), 3.0),
    "changes that cost energy": ("three-clutch", ("udds", 168, 171), (0.56, 0.555), 2.0),
    "braking": ("series-parallel", ("udds", 115, 121), (0.55, 0.55), 2.0),
    "split": ("input-split", ("udds", 168, 176), (0.56, 0.558), 0.6),
}
STRONG = {"soc": np.array([0.0, 0.5, 0.58, 1.0]), "voltage_V": np.array([180.0, 260.0, 320.0, 380.0]),
          "resistance_discharge_ohm": np.array([0.2, 0.25, 0.02, 0.2]), "resistance_charge_ohm": np.array([0.1, 0.2, 0.01, 0.1])}
TRIPS, PRICES_G_J = 800, (0.0, 2e-5, 6e-5, 1.2e-4, 1e-3)       # dear energy: trips that draw little


def solved(layout, piece, charge, battery=None):
    """The optimum of a piece on small tables, one lane."""
    loaded = load_layout(layout)
    loaded = replace(loaded, battery=replace(loaded.battery, **(battery or {})))
    return optimum(loaded, Pieces.cycle(*piece), charge=charge, grid=SMALL, lanes=1)


def stored_J(problem, node, energy):
    """(2, K + 1) stored energy before the change at the start of each interval, and after it."""
    before = np.concatenate([[problem.alive.shape[1]], node[:-1]])
    after = energy.copy()
    after[:-1] -= problem.changes.stored[np.arange(node.size), before, node]
    return np.array([energy, after])


@pytest.mark.parametrize("name", PIECES)
def test_trips_by_chance_lie_in_the_room(name):
    layout, piece, charge, share = PIECES[name]
    found = solved(layout, piece, charge)
    by_g = max(share * found.objective_g, 0.5)
    narrow = pruned(found.problem, found.bound, by_g)
    room, slack, draw = room_of(narrow, found.bound, by_g), 1e-9 * found.problem.window_J[1], np.random.default_rng(20)
    trips = (trip_at_random(narrow, draw, price_g_J=draw.choice(PRICES_G_J)) for _ in range(TRIPS))
    near = np.array([stored_J(narrow, node, energy) for node, point, energy in filter(None, trips)
                     if energy[-1] >= narrow.target_J and objective_g(narrow, node, point) <= found.bound.bound_g + by_g])
    assert len(near) > 20
    for row in (0, 1):
        assert np.all(near[:, row] >= room.low_J[row] - slack) and np.all(near[:, row] <= room.high_J[row] + slack)
    hull = near.max(axis=0) - near.min(axis=0)
    assert hull.mean() > 0.2 * (room.high_J - room.low_J).mean()            # it is these trips' room, not the window's


@pytest.mark.parametrize("sign", [1.0, -0.2])
def test_what_points_draw_at_any_charge(sign):
    """A scan over the window, all points discharging, all charging: no interval's point draws more or less than is said. Resistances are
    highest and lowest inside the window."""
    found = solved("series-parallel", ("udds", 165, 170), (0.55, 0.54), STRONG)
    points = found.problem.points
    problem = replace(found.problem, points=points._replace(power=sign * np.abs(points.power)))
    most, least = _drawn(problem)
    begin = np.append(0, np.cumsum(points.count.sum(axis=1)))
    for k in range(points.dt.size):
        power = problem.points.power[begin[k]:begin[k + 1]]
        drawn = [internal_power(problem.plant.battery, e, P)
                 for P in (power.max(), power.min()) for e in np.linspace(*problem.window_J, 401)]
        assert max(drawn) <= most[k] + 1e-12 * abs(most[k]) and min(drawn) >= least[k] - 1e-12 * abs(least[k])
