"""Windows that bind, descents that fill the battery, charge asked for at the end."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from ems.errors import InputError, RunError
from ems.layout.load import load_layout
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.optimum import optimum


def descent(pieces, seconds=420, grade=-0.06):
    """A stop, ten minutes less a little of 60 km/h downhill, a stop."""
    whole = pieces.cycle("nedc", 0, seconds)
    speed = np.full(seconds + 1, 60 / 3.6)
    speed[:18], speed[-18:] = np.linspace(0, 60 / 3.6, 18), np.linspace(60 / 3.6, 0, 18)
    return replace(whole, name="descent", speed_m_s=speed, grade=np.full(seconds + 1, grade))


@pytest.mark.parametrize("layout", ["series", "input-split"])
def test_small_battery_on_real_speeds(pieces, layout):
    """A tenth of the capacity: the window binds and is kept, and 4,001 nodes over the whole of it, with every point of the tables, find
    nothing that is better by a thousandth (a trip of minutes has a duality gap of its own, so the gap says little here)."""
    found = pieces.optimum(layout, "udds", 160, 420, ("battery.capacity_Ah=0.5",))
    energy = np.asarray(found.trace.columns["battery_energy_end_kJ"]) * 1e3
    low, high = found.problem.window_J
    assert low - 1 <= energy.min() and energy.max() <= high + 1
    assert min(energy.min() - low, high - energy.max()) < 0.02 * (high - low)
    assert found.lower_bound_g <= found.objective_g
    costate = float(found.bound.costate_g_J.max())
    fine = solve_dynamic(found.problem, full_corridor(found.problem, 4001, costate))
    assert found.lower_bound_g <= fine.objective_g
    assert found.objective_g <= fine.objective_g * 1.001
    assert abs(found.energy_residual_percent) < 1e-4


def test_descent_fills_the_battery_and_the_brakes_take_the_rest(pieces):
    """Downhill there is more energy than the window holds: it fills, friction brakes take the rest, no fuel is burnt on the way,
    and the surplus at the end is told in joules."""
    found = optimum(load_layout("series"), descent(pieces))
    high = found.problem.window_J[1]
    assert found.surplus_J > 0
    start = float(found.layout.battery.energy_J(found.soc_start))
    assert found.surplus_J == pytest.approx(float(found.layout.battery.energy_J(found.soc_end)) - start, abs=1e-3)
    assert found.fuel_g < 1.0 and 0 <= found.lower_bound_g <= found.objective_g
    assert found.losses_kJ["brakes"] > 1.0
    assert max(found.trace.columns["battery_energy_end_kJ"]) * 1e3 <= high + 1e-3
    residual_kJ = found.energy_residual_percent / 100 * max(found.stores_kJ["fuel"], 1e-3 * sum(found.losses_kJ.values()))
    assert abs(residual_kJ) < 1e-6 * sum(found.losses_kJ.values())


def test_charge_out_of_reach_is_an_error_with_words(pieces):
    """From the lowest to the highest charge within a minute of town."""
    with pytest.raises(RunError, match=r"charge|reach"):
        optimum(load_layout("series"), pieces.cycle("udds", 20, 80), charge=(0.35, 0.75))


def test_charge_outside_the_window_is_an_input_error(pieces):
    """Both ends are checked at once."""
    with pytest.raises(InputError) as told:
        optimum(load_layout("series"), pieces.cycle("udds", 20, 80), charge=(0.2, 0.9))
    assert len(told.value.mistakes) == 2


def test_charge_to_be_used_up(pieces):
    """From 0.70 to at least 0.40 on a short trip: no fuel but for what the charge cannot give, and the rest reported as surplus."""
    found = pieces.optimum("input-split", "udds", 160, 330, (), (0.7, 0.4))
    battery = found.layout.battery
    assert found.soc_start == pytest.approx(0.7)
    assert found.soc_end >= 0.4 - 1e-9
    assert found.surplus_J == pytest.approx(float(battery.energy_J(found.soc_end)) - float(battery.energy_J(0.4)), abs=1e-3)
    assert 0 <= found.lower_bound_g <= found.objective_g
    held = pieces.optimum("input-split", "udds", 160, 330)
    assert found.objective_g < held.lower_bound_g


def test_both_ends_and_three_contacts(pieces):
    """A window of a few tens of kilojoules over starts and stops: it binds above and below, three times at least, and is certified."""
    found = pieces.optimum("series", "udds", 160, 420, ("battery.soc_low=0.545", "battery.soc_high=0.556"), (0.55, 0.55))
    low, high = found.problem.window_J
    energy = np.append(found.trace.columns["battery_energy_start_kJ"][:1], found.trace.columns["battery_energy_end_kJ"]) * 1e3
    near = np.where(energy < low + 0.02 * (high - low), -1, np.where(energy > high - 0.02 * (high - low), 1, 0))
    sides = [side for side in near if side]
    contacts = 1 + sum(a != b for a, b in itertools.pairwise(sides)) if sides else 0
    assert set(sides) == {-1, 1} and contacts >= 3
    assert low - 1 <= energy.min() and energy.max() <= high + 1
    assert 0 < found.lower_bound_g <= found.objective_g
    assert len(found.costate_segments) > 1 and abs(found.energy_residual_percent) < 1e-4
