"""Roads made of a cycle to tune on: phases alone, and hills; by hand from the shipped cycles."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ems.strategies.roads import AS_IT_IS, HILLS, road, roads
from ems.trips.cycle import load_cycle


def test_which_roads_there_are():
    """NEDC's four urban parts are the same one (UN R83, Annex 4a); US06 has one phase; a road with a grade of its own gets no hills."""
    assert roads(load_cycle("wltc-3b")) == (AS_IT_IS, "low", "medium", "high", "extra high", HILLS)
    assert roads(load_cycle("nedc")) == (AS_IT_IS, "urban 1", "extra-urban", HILLS)
    assert roads(load_cycle("us06")) == (AS_IT_IS, HILLS)
    assert HILLS not in roads(load_cycle("hill-town"))


def test_a_phase_is_driven_until_it_is_a_trip():
    """Low phase of WLTC class 3: 589 s and 3.095 km (UN GTR 15), three times over."""
    low = road(load_cycle("wltc-3b"), "low")
    assert low.duration_s == 3 * 589 and low.time_s[0] == 0.0
    assert low.distance_m == pytest.approx(3 * 3095, abs=3.0)
    assert np.array_equal(low.speed_m_s[:590], low.speed_m_s[589:1179])
    assert low.auxiliary_W.shape == (3 * 589,) and low.grade.shape == low.speed_m_s.shape


def test_hills_end_where_they_began():
    """Four per cent at most, and back to the height of the start."""
    flat = load_cycle("nedc")
    hilly = road(flat, HILLS)
    assert np.abs(hilly.grade).max() == pytest.approx(0.04, rel=1e-3)
    height_m = 0.04 * flat.distance_m / 2 / np.pi                            # of either of two hills: the integral of the sine
    assert abs(hilly.altitude_m[-1]) < 1.0 and hilly.altitude_m.max() == pytest.approx(height_m, rel=0.01)
    assert np.array_equal(hilly.speed_m_s, flat.speed_m_s)
    assert road(flat, AS_IT_IS) is flat


def test_a_phase_keeps_its_hills_and_loads_and_is_another_for_them():
    """The second of NEDC's equal urban parts, with a hill and a load of its own; a phase in which nothing moves is no road."""
    flat = load_cycle("nedc")
    second = flat.phases[1]
    inside = (flat.time_s[:-1] >= second.start_s) & (flat.time_s[:-1] < second.end_s)
    at_m = np.concatenate([[0.0], np.cumsum(flat.middle_speed_m_s)])
    here = (flat.time_s >= second.start_s) & (flat.time_s <= second.end_s)
    along = (at_m - at_m[here][0]) / (at_m[here][-1] - at_m[here][0])
    wave = np.round(0.02 * np.sin(2.0 * np.pi * along), 9) + 0.0
    cycle = replace(flat, grade=np.where(here, wave, 0.0), auxiliary_W=np.where(inside, 300.0, 0.0))
    assert roads(cycle) == (AS_IT_IS, "urban 1", second.name, "extra-urban")
    again = road(cycle, second.name)
    assert again.duration_s == 7 * 195 and not again.phases and again.file is None
    assert (again.auxiliary_W == 300.0).all()
    assert all(np.array_equal(again.grade[195 * n:195 * (n + 1)], wave[195:390]) for n in range(7))
    still = replace(flat, phases=(replace(second, name="rest", start_s=0.0, end_s=11.0), flat.phases[-1]))
    assert roads(still) == (AS_IT_IS, "extra-urban", HILLS)


def test_a_phase_on_the_move_is_no_road():
    """Cut at 20 s, where the car drives."""
    whole = load_cycle("nedc")
    first, *_ = whole.phases
    cut = replace(whole, phases=(replace(first, end_s=20.0), replace(first, name="rest", start_s=20.0, end_s=195.0)))
    assert roads(cut) == (AS_IT_IS, HILLS)


def test_a_phase_that_climbs_is_no_road():
    """Driven again it would climb again: 3 % over the extra-urban part of NEDC is 209 m; up and down again is a trip."""
    whole = load_cycle("nedc")
    steep = np.where(whole.time_s > 780.0, 0.03, 0.0)
    assert roads(replace(whole, grade=steep)) == (AS_IT_IS, "urban 1")
    at_m = np.concatenate([[0.0], np.cumsum(whole.middle_speed_m_s)])
    start_m = at_m[780]
    wave = np.where(whole.time_s >= 780.0, 0.03 * np.sin(2.0 * np.pi * (at_m - start_m) / (at_m[-1] - start_m)), 0.0)
    assert roads(replace(whole, grade=wave)) == (AS_IT_IS, "urban 1", "extra-urban")
