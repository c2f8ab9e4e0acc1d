"""The benchmarks of the sweep's limit and of growth: what they run is what they say."""

from __future__ import annotations

import numpy as np
import pytest

from ems.trips.cycle import load_cycle


def test_a_bare_transition_with_and_without_a_square_root_is_the_same():
    """A parabola through three nodes in place of the square root at each: the same values where R / V^2 hardly bends."""
    from limit import bare, parabola

    power, fuel = np.array([-20e3, 5e3, 30e3]), np.array([0.0, 0.3, 0.1])
    x, value = np.linspace(1.3e-6, 1.1e-6, 41), np.linspace(9.0, 1.0, 41)
    root, curve = np.full(41, 1e9), np.full(41, 1e9)
    bare(power, fuel, x, value, root, 1e-4)
    parabola(power, fuel, x, value, curve, 1e-4)
    by_hand = min(f + np.interp(20 - 2 * P / (1 + np.sqrt(1 - 4 * P * x[20])) * 1e-4, np.arange(41), value)
                  for P, f in zip(power, fuel, strict=True))
    assert root[20] == pytest.approx(by_hand, rel=1e-9)
    assert curve == pytest.approx(root, abs=1e-4)


def test_the_sweep_is_measured_on_a_real_problem(pieces):
    from limit import measured

    import ems

    found = ems.optimum(ems.load_layout("series"), pieces.cycle("udds", 20, 50))
    got = measured(found.problem, float(found.bound.costate_g_J.max()), 31, 1)
    assert got["transitions"] == 31 * (got["points"] + got["changes"]) and got["points"] == found.problem.points.power.size
    assert min(got["sweep_ns"], got["bare_ns"], got["parabola_ns"], got["bytes_over_copying"]) > 0.0


def test_growth_repeats_a_cycle_and_fits_a_power():
    from growth import exponent, repeated

    once = load_cycle("hill-town")
    twice = repeated(once, 2)
    assert twice.distance_m == pytest.approx(2 * once.distance_m) and twice.time_s[-1] == 2 * once.time_s[-1]
    assert np.all(np.diff(twice.time_s) > 0) and twice.auxiliary_W.size == twice.time_s.size - 1
    assert exponent([(2.0, 12.0), (4.0, 48.0), (8.0, 192.0)]) == pytest.approx(2.0)
