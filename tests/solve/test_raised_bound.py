"""The lower bound raised in cells of stored energy: above the affine one, below every trip.

Source: weak duality with reduced costs (Bertsekas, Dynamic Programming and Optimal Control, sec. 6.2; from memory); derived.
"""

from __future__ import annotations

import numpy as np
import pytest

from ems.kernels.battery import power_limits, state
from ems.kernels.cells import BLOCK
from ems.solve.cells import BYTES_A_CELL, cells_of, in_cells, raised_bound_g
from ems.solve.certificate import pruned
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.room import room_of


def raised_to(found, objective_g, count, **options):
    """The bound raised as far as a trip of that cost lets it."""
    return raised_bound_g(found.problem, found.bound, 1.02 * (objective_g - found.bound.bound_g) + 1e-6, count, **options)


@pytest.mark.parametrize(("layout", "piece"), [("series", ("udds", 160, 330)), ("input-split", ("udds", 160, 310))])
def test_raised_bound_lies_between_affine_bound_and_trip(pieces, layout, piece):
    """More cells never lower it by more than rounding when each divides the ones before; no number of them passes a trip that exists."""
    found = pieces.optimum(layout, *piece)
    raised = [raised_to(found, found.objective_g, count) for count in (250, 1000, 4000)]
    assert found.bound.bound_g - 1e-9 <= raised[0] <= raised[1] + 1e-9 <= raised[2] + 2e-9
    assert raised[2] <= found.objective_g + 1e-9


def test_raised_bound_stays_below_when_a_worse_trip_is_named(pieces):
    """Naming a trip of 1 % more fuel only widens what is looked at: the bound may not pass the better trip."""
    found = pieces.optimum("series", "udds", 160, 330)
    assert raised_to(found, 1.01 * found.objective_g, 1000) <= found.objective_g + 1e-9


@pytest.mark.parametrize("share", [0.05, 0.3, 0.7])
def test_raised_bound_goes_no_further_than_asked(pieces, share):
    """By less than it could be raised it is raised by just that; what is followed for it is less (derived)."""
    found = pieces.optimum("series", "udds", 160, 330)
    room = raised_to(found, found.objective_g, 4000) - found.bound.bound_g
    part = raised_bound_g(found.problem, found.bound, share * room, 4000) - found.bound.bound_g
    assert room > 0.0 and part == pytest.approx(share * room, rel=1e-6)


def test_raised_bound_keeps_to_the_work_it_may_do(pieces):
    """With less work allowed it is raised by less, and never lowered (derived)."""
    found = pieces.optimum("series", "udds", 160, 330)
    free, bounded, none = (raised_to(found, found.objective_g, 4000, most_work=work) for work in (np.inf, 3e6, 3e5))
    assert found.bound.bound_g <= none < bounded < free


def test_cells_hold_the_extremes_of_the_battery(pieces):
    """R / V^2 at random energies lies within the extremes of its cell (numpy, from the battery's own table)."""
    problem = pieces.optimum("series", "udds", 160, 330).problem
    cells, battery = in_cells(problem, problem.window_J, 37), problem.plant.layout.battery
    energy = np.random.default_rng(3).uniform(*problem.window_J, 5000)
    soc = battery.soc_at(energy)
    x = np.interp(soc, battery.soc, battery.resistance_discharge_ohm) / np.interp(soc, battery.soc, battery.voltage_V) ** 2
    cell = np.clip(np.searchsorted(cells.edge, energy - problem.target_J, side="right") - 1, 0, cells.edge.size - 2) // BLOCK
    assert np.all(x >= cells.out_least[cell] * (1 - 1e-12))
    assert np.all(x <= cells.out_most[cell] * (1 + 1e-12))


def test_cells_hold_the_extremes_of_the_power_limits(pieces):
    """No energy inside a block of cells gives or takes more than is noted for it (the battery's own limits, at random energies)."""
    problem = pieces.optimum("three-clutch-chargeable", "us06", 500, 600).problem
    cells, battery = in_cells(problem, problem.window_J, 1000), problem.plant.battery
    energy = np.random.default_rng(4).uniform(*problem.window_J, 2000)
    limits = np.array([power_limits(battery, *state(battery, e)) for e in energy])
    block = np.clip(np.searchsorted(cells.edge, energy - problem.target_J, side="right") - 1, 0, cells.edge.size - 2) // BLOCK
    assert np.all(limits[:, 1] <= cells.gives[block]) and np.all(-limits[:, 0] <= cells.takes[block])
    assert np.ptp(cells.gives) > 0.2 * cells.gives.max()             # the limits do depend on charge here


def test_raised_bound_knows_what_a_low_battery_gives(pieces, monkeypatch):
    """Where a low battery gives little, a bound that lets it give anything lies lower; both stay below the trip (derived)."""
    found = pieces.optimum("three-clutch-chargeable", "us06", 500, 600)
    told = raised_to(found, found.objective_g, 4000)
    endless = np.full(1 + 4000 // BLOCK, np.inf)
    monkeypatch.setattr("ems.solve.cells.cells_of", lambda *a: cells_of(*a)._replace(gives=endless, takes=endless))
    untold = raised_to(found, found.objective_g, 4000)
    assert untold < told - 0.1 and told <= found.objective_g + 1e-9


@pytest.mark.parametrize("charge", [(0.9, 0.85), (0.85, 0.8), (0.9, 0.6)])
@pytest.mark.parametrize("cells", [3000, 6000, 20000])
def test_raised_bound_of_a_trip_from_the_very_top_of_the_window(pieces, charge, cells):
    """A battery that is full at the start stands at the last edge of the cells: it is found there, however rounded."""
    found = pieces.optimum("series-chargeable", "udds", 160, 338, (), charge)
    assert raised_to(found, found.objective_g, cells) <= found.objective_g + 1e-9
    assert found.gap_percent >= 0.0


@pytest.mark.parametrize("layout", ["series", "input-split", "three-clutch"])
def test_every_trip_near_the_bound_has_room(pieces, layout):
    """What trips within 1 % of the bound store, found by sweeps of different nodes, lies in the room that is left to them (derived)."""
    found = pieces.optimum(layout, "udds", 160, 330)
    by_g = 0.01 * found.objective_g
    narrow = pruned(found.problem, found.bound, by_g)
    room, slack = room_of(narrow, found.bound, by_g), 1e-6 * narrow.window_J[1]
    trips = [solve_dynamic(narrow, full_corridor(narrow, nodes, found.bound.costate_g_J[-1])) for nodes in (60, 101, 300, 1000)]
    near = [trip for trip in trips if trip.objective_g <= found.bound.bound_g + by_g]
    assert len(near) >= 2
    for trip in near:
        assert np.all(trip.energy_J >= room.low_J[0] - slack) and np.all(trip.energy_J <= room.high_J[0] + slack)
    assert room.share * np.subtract(*room.ends_J[::-1]) < 0.9 * np.subtract(*narrow.window_J[::-1])         # it leaves something out


def test_room_only_raises_the_bound(pieces, monkeypatch):
    """The same cells without room left out follow more that no trip can drive: they raise the bound less or as much (derived)."""
    found = pieces.optimum("series-chargeable", "udds", 160, 330)
    with_room = raised_to(found, found.objective_g, 4000)

    def everywhere(*arguments):
        cells = cells_of(*arguments)
        return cells._replace(begin=np.zeros_like(cells.begin), end=np.full_like(cells.end, cells.out_least.size))

    monkeypatch.setattr("ems.solve.cells.cells_of", everywhere)
    assert found.bound.bound_g < raised_to(found, found.objective_g, 4000) <= with_room + 1e-9 <= found.objective_g + 2e-9


def test_bound_is_raised_as_far_as_asked_where_no_trip_is_left(pieces, monkeypatch):
    """Where no trip costs less than the bound and a raise, it is raised by all of that (derived)."""
    found = pieces.optimum("series", "udds", 160, 330)
    monkeypatch.setattr("ems.solve.cells.passable", lambda narrow: False)
    assert raised_bound_g(found.problem, found.bound, 0.25, 1000) == found.bound.bound_g + 0.25


def test_cells_that_memory_has_no_room_for_are_fewer_cells(pieces, monkeypatch):
    """Many states, as with least times: as many cells as there is room for raise the bound as far as that number does (derived)."""
    found = pieces.optimum("series", "udds", 160, 330)
    few = raised_to(found, found.objective_g, 900)
    monkeypatch.setattr("ems.solve.cells.MOST_BYTES", 900.5 * BYTES_A_CELL * found.problem.states)
    assert raised_to(found, found.objective_g, 6000) == few > found.bound.bound_g
