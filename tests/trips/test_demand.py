"""Road forces: UN GTR No. 15's cycle energy, kinetic energy that telescopes, slopes by hand."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from ems import library
from ems.components.vehicle import Vehicle
from ems.trips.cycle import Cycle, load_cycle
from ems.trips.demand import demand


def vehicle(mass_kg=1900.0, rotating_mass_kg=40.0, f0_N=175.0, f1_Ns_m=0.9 * 3.6, f2_Ns2_m2=0.036 * 3.6**2,
            auxiliary_W=350.0) -> Vehicle:
    return Vehicle("v", "v", mass_kg, rotating_mass_kg, f0_N, f1_Ns_m, f2_Ns2_m2, 0.33, auxiliary_W, "test", True, ())


def cycle(speed_m_s, grade=None, auxiliary_W=None) -> Cycle:
    speed = np.asarray(speed_m_s, float)
    n = speed.size
    return Cycle("c", "c", np.arange(n, dtype=float), speed,
                 np.zeros(n) if grade is None else np.asarray(grade, float),
                 np.zeros(n - 1) if auxiliary_W is None else np.asarray(auxiliary_W, float))


def test_cycle_energy_of_gtr_15(outside_check):
    """UN GTR No. 15 Annex 7: F = f0 + f1 v + f2 v^2 + 1.03 m a, middle speeds, energy where F > 0.

    f0 100 N, f1 0.5 N/(km/h), f2 0.035 N/(km/h)^2, 1500 kg; up by 5 km/h a second to 50, 20 s there, down again.
    The rule is quoted from memory; distance and energy are exact arithmetic from it.
    """
    up = np.arange(0, 51, 5.0)
    speed_kmh = np.concatenate((up, np.full(20, 50.0), up[::-1][1:]))
    asked = demand(cycle(speed_kmh / 3.6),
                   vehicle(1500.0, 0.03 * 1500.0, 100.0, 0.5 * 3.6, 0.035 * 3.6**2, 0.0))
    rule = "UN GTR No. 15, Annex 7, cycle energy: the rule from memory (derived)"
    outside_check(asked.distance_m, source=rule, quantity="distance of a trapezoid to 50 km/h", value=416.6667, unit="m", tolerance=5e-5)
    outside_check(asked.cycle_energy_J, source=rule, quantity="cycle energy of a trapezoid to 50 km/h", value=219165.943, unit="J",
                  tolerance=5e-4)
    # and the same by a plain loop in the regulation's own units
    energy = 0.0
    for v0, v1 in itertools.pairwise(speed_kmh):
        v, a = (v0 + v1) / 2, (v1 - v0) / 3.6
        energy += max(0.0, 100 + 0.5 * v + 0.035 * v * v + 1.03 * 1500 * a) * v / 3.6
    assert asked.cycle_energy_J == pytest.approx(energy, rel=1e-12)


@pytest.mark.parametrize("name", library.names("cycle"))
def test_inertia_is_exactly_the_change_of_kinetic_energy(name):
    """m (v1 - v0)/dt * (v0 + v1)/2 * dt = m (v1^2 - v0^2)/2, each interval and in sum: a closed form."""
    trip, car = load_cycle(name), vehicle()
    asked = demand(trip, car)
    mass = car.mass_kg + car.rotating_mass_kg
    kinetic = 0.5 * mass * trip.speed_m_s**2
    work = asked.inertia_N * asked.speed_m_s * asked.dt_s
    assert work == pytest.approx(np.diff(kinetic), rel=1e-9, abs=1e-6)
    assert work.sum() == pytest.approx(0.0, abs=1e-5)
    half = len(work) // 2
    assert work[:half].sum() == pytest.approx(kinetic[half] - kinetic[0], rel=1e-9, abs=1e-5)


@pytest.mark.parametrize("name", library.names("cycle"))
def test_forces_add_up_and_net_energy_is_what_air_and_tyres_take(name):
    """From rest to rest at the same height, inertia and climb cancel."""
    trip = load_cycle(name)
    asked = demand(trip, vehicle())
    assert asked.force_N == pytest.approx(asked.air_N + asked.tyre_N + asked.climb_N + asked.inertia_N, rel=1e-12)
    assert asked.distance_m == pytest.approx(trip.distance_m, rel=1e-12)
    resistance = float(np.sum((asked.air_N + asked.tyre_N) * asked.speed_m_s * asked.dt_s))
    height = 1900 * 9.81 * trip.altitude_m[-1]
    assert asked.net_tractive_energy_J == pytest.approx(resistance + height, rel=1e-9)
    assert 0 < asked.net_tractive_energy_J < asked.cycle_energy_J
    assert asked.auxiliary_energy_J == pytest.approx(350 * trip.duration_s)


def test_climb_by_hand():
    """30 % at a steady 10 m/s: the sine of the slope is 0.3 / sqrt(1.09), its cosine 1 / sqrt(1.09)."""
    asked = demand(cycle([10.0, 10.0, 10.0], grade=[0.3, 0.3, 0.3]), vehicle())
    angle = math.atan(0.3)
    assert asked.climb_N == pytest.approx([1900 * 9.81 * math.sin(angle)] * 2, rel=1e-12)
    assert asked.tyre_N == pytest.approx([175 * math.cos(angle) + 3.24 * 10] * 2, rel=1e-12)
    assert asked.air_N == pytest.approx([0.036 * 36**2] * 2, rel=1e-12)
    assert asked.inertia_N.tolist() == [0.0, 0.0]


def test_at_rest_on_a_slope_the_brakes_hold():
    asked = demand(cycle([0.0, 0.0, 1.0, 0.0], grade=[0.1] * 4, auxiliary_W=[5.0, 6.0, 7.0]), vehicle())
    assert asked.standstill.tolist() == [True, False, False]
    assert asked.force_N[0] == 0.0 and asked.climb_N[0] == 0.0 and asked.tyre_N[0] == 0.0
    assert asked.climb_N[1] > 0.0
    assert asked.auxiliary_W.tolist() == [355.0, 356.0, 357.0]
    assert asked.boundary_speed_m_s.tolist() == [0.0, 0.0, 1.0, 0.0]


def test_downhill_gives_back_what_uphill_took():
    flat = demand(cycle([0, 10, 10, 10, 0]), vehicle())
    hill = demand(cycle([0, 10, 10, 10, 0], grade=[0.05, 0.05, 0.0, -0.05, -0.05]), vehicle())
    assert float(np.sum(hill.climb_N * hill.speed_m_s)) == pytest.approx(0.0, abs=1e-9)
    # only the cosine on f0 is left: less weight on the road
    saved = flat.net_tractive_energy_J - hill.net_tractive_energy_J
    assert saved == pytest.approx(sum(175 * (1 - math.cos(math.atan(g))) * v for g, v in
                                      ((0.05, 5), (0.025, 10), (0.025, 10), (0.05, 5))), rel=1e-6)
