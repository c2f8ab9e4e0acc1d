"""The benchmark of the time step: other steps are the same trip, and an optimum in them is one."""

from __future__ import annotations

import numpy as np
import pytest

from ems.trips.cycle import load_cycle


@pytest.mark.parametrize("smooth", [False, True])
@pytest.mark.parametrize("step_s", [1.0, 0.5, 0.1])
def test_samples_and_stops_are_kept(step_s, smooth):
    """Straight lines keep distance and highest speed exactly; the monotone cubic oversteps no sample and moves no stop."""
    from time_step import piece_of, stepped

    cycle = piece_of(load_cycle("wltc-3b"), 100)
    made, count = stepped(cycle, step_s, smooth), round(1 / step_s)
    assert made.time_s[::count] == pytest.approx(cycle.time_s, abs=1e-9)
    assert np.array_equal(made.speed_m_s[::count], cycle.speed_m_s)
    assert made.speed_m_s.max() == cycle.speed_m_s.max() and made.speed_m_s.min() == 0.0
    assert np.array_equal(np.repeat(cycle.standstill, count), made.standstill)
    assert made.distance_m == pytest.approx(cycle.distance_m, rel=2e-3 if smooth else 1e-12)
    assert float(np.sum(made.auxiliary_W * np.diff(made.time_s))) == pytest.approx(float(cycle.auxiliary_W.sum()))


def test_half_seconds_can_be_solved(pieces):
    """Sixty seconds in steps of half a second: audited, bounded, and within 1 % of steps of a second."""
    from time_step import stepped

    import ems

    layout, cycle = ems.load_layout("series"), pieces.cycle("udds", 20, 80)
    whole, half = ems.optimum(layout, cycle), ems.optimum(layout, stepped(cycle, 0.5, False))
    assert half.trace.demand.dt_s.size == 2 * whole.trace.demand.dt_s.size
    assert abs(half.energy_residual_percent) < 1e-6 and half.lower_bound_g <= half.objective_g
    assert half.objective_g == pytest.approx(whole.objective_g, rel=0.01)


def test_waiting_is_in_seconds_whatever_the_step(pieces):
    """A second in every configuration, in steps of half a second: no shorter one is driven, and it costs something."""
    from time_step import HELD, stepped

    import ems

    layout, cycle = ems.load_layout("three-clutch"), stepped(pieces.cycle("udds", 20, 80), 0.5, False)
    free, held = ems.optimum(layout, cycle), ems.optimum(layout, cycle, waits=HELD)
    assert shortest_s(held) >= 1.0 - 1e-9
    assert shortest_s(free) == 0.5 and held.objective_g >= free.lower_bound_g


def shortest_s(found):
    """Shortest time in a configuration, the last one left out: the trip ends in it."""
    plant, node = found.problem.plant, found.trace.node
    ends = np.flatnonzero(np.diff([plant.nodes[n].configuration for n in node]) != 0) + 1
    return float(np.diff(np.concatenate([[0], ends])).min() * 0.5)
