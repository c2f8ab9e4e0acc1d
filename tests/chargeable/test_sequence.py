"""Depleting, sustaining and weighted on a trip at constant speed, where much is known beforehand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ems.errors import InputError
from ems.judge.chargeable import chargeable
from ems.judge.course import course_of
from ems.regulations.un_gtr15 import COEFFICIENTS
from ems.trips.pieces import piece, repeated

V, SECONDS = 12.5, 200.0


def test_electric_drive_does_the_work_of_the_road_load(layout, electric, outside_check):
    """Closed form: ``(f0 + f1 v + f2 v^2) v t`` to air and tyres, auxiliaries ``P t``; all else is loss, and no fuel is burnt."""
    trip = electric.drive(0.8)
    vehicle = layout.vehicle
    work_kJ = (vehicle.f0_N + vehicle.f1_Ns_m * V + vehicle.f2_Ns2_m2 * V**2) * V * SECONDS / 1e3
    outside_check(trip.losses_kJ["air"] + trip.losses_kJ["tyres"], value=round(work_kJ, 6), unit="kJ", tolerance=1e-5,
                  source="Guzzella and Sciarretta, Vehicle Propulsion Systems, ch. 2: equation of motion, its closed forms (derived)",
                  quantity=f"work against the road load in {SECONDS:g} s at {3.6 * V:g} km/h, chargeable car driving electrically")
    assert trip.losses_kJ["auxiliaries"] == pytest.approx(vehicle.auxiliary_W * SECONDS / 1e3, rel=1e-9)
    assert course_of(trip).fuel_g.sum() == 0.0
    stored_kJ = course_of(trip).stored_J.sum() / 1e3
    assert stored_kJ == pytest.approx(sum(trip.losses_kJ.values()), rel=1e-6)
    assert stored_kJ > work_kJ + vehicle.auxiliary_W * SECONDS / 1e3


def test_electric_energy_is_the_least_of_all_configurations(electric):
    """Without changes of demand the trip stays in its cheapest configuration: no single point of the tables uses less."""
    trip = electric.drive(0.8)
    tables = electric.problem.tables
    least_W = float(tables.power_W[tables.fuel_g_s == 0.0].min())
    assert np.asarray(trip.columns["battery_power_kW"])[-1] == pytest.approx(least_W / 1e3, rel=1e-9)


def test_range_at_constant_speed(layout, found):
    """Closed form: usable energy over energy per way. The last cycle may borrow down to the window's end before fuel gives it back."""
    first = found.legs[0]
    usable_kWh, borrowed_kWh = (float(layout.battery.energy_J(0.25) - layout.battery.energy_J(end)) / 3.6e6
                                for end in (0.20, layout.battery.soc_low))
    km_per_kWh = first.distance_km / first.stored_kWh
    assert 0.98 * usable_kWh * km_per_kWh <= found.electric_range_km <= 1.02 * borrowed_kWh * km_per_kWh


def test_sequence_hands_charge_on_and_ends_at_the_sustaining_run(found):
    kinds = [leg.kind for leg in found.legs]
    assert kinds[-1] == "sustaining" and kinds[-2] == "transition" and set(kinds[:-2]) == {"electric"}
    assert [leg.soc_start for leg in found.legs[1:-1]] == [leg.soc_end for leg in found.legs[:-2]]
    assert found.legs[0].soc_start == 0.25
    assert found.legs[-2].soc_end == pytest.approx(0.20, abs=1e-3)
    assert found.transition == len(found.legs) - 1
    assert found.depleting_range_km == pytest.approx(found.transition * V * SECONDS / 1e3)
    assert found.legs[-1].stored_kWh == pytest.approx(0.0, abs=1e-3)


def test_phases_add_up_to_their_cycle(found):
    for leg in found.legs:
        assert [p.distance_km for p in leg.parts] == pytest.approx([1.0, 1.5])
        assert sum(p.mains_kWh for p in leg.parts) == pytest.approx(leg.stored_kWh, abs=1e-9)
        litres = sum(p.fuel_l for p in leg.parts)
        assert 100.0 * litres / leg.distance_km == pytest.approx(leg.fuel_l_per_100km, abs=1e-9)


def test_ranges_are_in_order(found):
    assert 0.0 < found.electric_range_km <= found.depleting_range_km
    assert found.actual_depleting_range_km <= found.depleting_range_km
    assert found.equivalent_electric_range_km <= found.depleting_range_km


def test_knowing_the_trip_never_costs_fuel(found):
    """The blended optimum has the electric-first trip among its choices: same way, same charges."""
    slack = found.blended.fuel_l_per_100km * found.blended_bar_percent / 100.0
    assert found.blended.fuel_l_per_100km <= found.depleting.fuel_l_per_100km * 1.002 + slack


def test_regression_balances_our_own_runs(found):
    """Runs that end above and below their start agree once corrected; the slope is the costate's (envelope theorem)."""
    c = found.correction
    before = max(c.fuel_l_per_100km) - min(c.fuel_l_per_100km)
    after = max(c.corrected_l_per_100km) - min(c.corrected_l_per_100km)
    assert before > 0.02 * found.sustaining.fuel_l_per_100km
    assert after < 0.1 * before
    assert c.slope < 0.0
    assert c.slope == pytest.approx(c.costate_slope, rel=0.1)


def test_weighting_written_out_once_more(found):
    """UN GTR 15, Annex 8, Appendix 5: the sum over phases with the factors from a cumulative curve on arrays."""
    parts = [p for leg in found.legs[:found.transition] for p in leg.parts]
    km = np.array([p.distance_km for p in parts])
    ends = np.cumsum(km) / 800.0
    total = 1.0 - np.exp(-sum(c * ends**i for i, c in enumerate(COEFFICIENTS, 1)))
    factor = np.diff(total, prepend=0.0)
    litres = 100.0 * np.array([p.fuel_l for p in parts]) / km
    expected = float(factor @ litres + (1.0 - total[-1]) * found.sustaining.fuel_l_per_100km)
    assert found.weighted["uf-800"].figures.fuel_l_per_100km == pytest.approx(expected, rel=1e-9)
    electricity = 100.0 * np.array([p.mains_kWh for p in parts]) / km / 0.88
    assert found.weighted["uf-800"].figures.electricity_kWh_per_100km == pytest.approx(float(factor @ electricity), rel=1e-9)


def test_weighted_lies_between(found):
    for weighted in found.weighted.values():
        assert 0.0 < weighted.figures.fuel_l_per_100km < found.sustaining.fuel_l_per_100km
        assert 0.0 < weighted.depleting_share < 1.0


@pytest.mark.parametrize("charge", [(0.2, 0.25), (0.99, 0.2), (0.2, 0.2)])
def test_charge_that_cannot_be_used_up_is_told(layout, steady, charge):
    with pytest.raises(InputError, match="full above depleted"):
        chargeable(layout, steady, charge=charge)


def test_pieces_and_repeats(steady):
    rest, twice = piece(steady, 80), repeated(steady, 2)
    assert rest.duration_s == 120.0 and rest.time_s[0] == 80.0
    assert twice.distance_m == pytest.approx(2.0 * steady.distance_m)
    assert np.all(np.diff(twice.time_s) == 1.0) and twice.speed_m_s.size == 401 and twice.auxiliary_W.size == 400
    assert math.isclose(twice.duration_s, 2.0 * steady.duration_s)
