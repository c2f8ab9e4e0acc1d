"""How much for how long: rules between the durations of a data sheet; temperature and charge; brakes and grip."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from ems.components.battery import Battery, load_battery
from ems.components.machine import Machine
from ems.components.pulse import overload, pulse_power_W, pulse_use
from ems.components.vehicle import Vehicle


@pytest.mark.parametrize("duration_s, power_W", [
    (0.5, 70e3), (2.0, 70e3), (math.sqrt(20.0), 65e3),      # half way between 2 and 10 s in the logarithm
    (10.0, 60e3), (20.0, 45e3), (60.0, 35e3), (math.inf, 30e3),
])
def test_pulse_power_by_hand(duration_s: float, power_W: float) -> None:
    """70 kW for 2 s, 60 for 10 s, 30 without end: beyond 10 s 30 + 300 kJ over the time."""
    assert pulse_power_W(duration_s, 70e3, 60e3, 30e3) == pytest.approx(power_W, rel=1e-12)


def test_pulse_in_use_by_hand() -> None:
    """Room 300 kJ. 10 s at 60 kW fill it; 10 s at 15 kW empty half of it; never below nothing."""
    power = np.array([60e3, 15e3, 15e3, 15e3, 45e3])
    assert pulse_use(power, np.full(5, 10.0), 60e3, 30e3) == pytest.approx([0, 1, 0.5, 0, 0, 0.5])
    assert np.array_equal(pulse_use(power, np.full(5, 10.0), 30e3, 30e3), np.zeros(6))


def test_a_pulse_as_long_as_the_rule_allows_just_fills_it(battery: Battery) -> None:
    """The two rules are one: the power for t seconds, held for t seconds, uses exactly the whole pulse."""
    for seconds in (10.0, 30.0, 120.0):
        for sign, power in ((1.0, battery.discharge_for_W(seconds)), (-1.0, battery.charge_for_W(seconds))):
            assert battery.pulse_use(np.array([sign * power]), np.array([seconds]))[-1] == pytest.approx(1.0, rel=1e-12)
    assert battery.discharge_for_W(1.0) == 70e3 and battery.discharge_for_W(10.0) == battery.discharge_limit_W


def test_overload_of_a_machine(machine: Machine) -> None:
    """Heat above the continuous one is constant: (T^2 - Tc^2) t is that of the peak for its time. By hand: 100 N m for 20 s and
    60 N m without end leave sqrt(3600 + 6400 / 4) = 72.11 N m for 80 s."""
    peak, lasting = np.array([100.0]), np.array([60.0])
    assert overload(80.0, peak, lasting, 20.0) == pytest.approx([math.sqrt(5200.0)], rel=1e-12)
    assert overload(5.0, peak, lasting, 20.0) == 100.0 and overload(math.inf, peak, lasting, 20.0) == 60.0
    assert machine.torque_for_Nm(-300.0, 20.0) == pytest.approx(machine.peak_Nm[0], rel=1e-3)
    assert np.isnan(machine.torque_for_Nm(1.01 * machine.max_rad_s, 20.0))


def test_resistance_over_temperature_is_a_straight_line_of_arrhenius() -> None:
    """ln R over 1/T is straight (Arrhenius; form of resistance over temperature used for lithium cells throughout the literature,
    from memory), here with the 20 kJ/mol that the invented curve states; the row at 25 degrees is exactly 1."""
    celsius = np.array([-20, -10, 0, 10, 20, 25, 30, 40, 55])
    batteries = [load_battery("hybrid-1k5", where="t", key="b", overrides={"temperature_C": float(c)}) for c in celsius]
    factor = np.array([b.resistance_factor for b in batteries])
    slope = np.polyfit(1.0 / (celsius + 273.15), np.log(factor), 1)
    assert slope[0] * 8.314 == pytest.approx(20_000.0, rel=1e-3)
    assert np.polyval(slope, 1.0 / (celsius + 273.15)) == pytest.approx(np.log(factor), abs=2e-4)
    assert factor[5] == 1.0 and batteries[5].discharge_factor == batteries[5].charge_factor == 1.0


def test_temperature_is_applied_to_resistance_and_every_limit(battery: Battery) -> None:
    cold = load_battery("hybrid-1k5", where="t", key="b", overrides={"temperature_C": 0})
    assert np.allclose(cold.resistance_charge_ohm, cold.resistance_factor * battery.resistance_charge_ohm, rtol=1e-12)
    k = cold.discharge_factor
    assert 0 < cold.charge_factor < k < 1 < cold.resistance_factor
    assert cold.discharge_limit_W == pytest.approx(60e3 * k) and cold.discharge_limit_A == pytest.approx(240 * k)
    assert cold.discharge_for_W(2.0) == pytest.approx(70e3 * k) and cold.discharge_for_W(math.inf) == pytest.approx(30e3 * k)
    assert cold.charge_for_W(math.inf) == pytest.approx(25e3 * cold.charge_factor)
    assert np.array_equal(cold.energy_J(cold.soc), battery.energy_J(battery.soc))


def test_limits_over_charge(small: Any, battery: Battery) -> None:
    b = small("battery")
    assert b.limits_vary and np.array_equal(b.discharge_power_W, [20e3, 60e3, 60e3])
    assert np.array_equal(b.charge_power_W, [50e3] * 3)
    assert b.discharge_for_W(2.0, soc=0.3) == pytest.approx(70e3 * 40 / 60) and b.charge_for_W(2.0, soc=0.3) == 50e3
    warm = small("battery", overrides={"temperature_C": 40})
    assert np.array_equal(warm.discharge_power_W, b.discharge_power_W)
    assert not battery.limits_vary and np.array_equal(battery.discharge_power_W, np.full(battery.soc.size, 60e3))


def test_what_braking_may_recover(small: Any, vehicle: Vehicle) -> None:
    """Fading from 12 to 4 km/h: half at 8."""
    v = small("vehicle")
    assert v.recoverable_share(np.array([0, 4, 8, 12, 50]) / 3.6) == pytest.approx([0, 0, 0.5, 1, 1])
    assert dataclasses.replace(v, fade_to_m_s=v.fade_from_m_s).recoverable_share([3.3, 3.4]) == pytest.approx([0, 1])
    assert np.array_equal(vehicle.recoverable_share([0.0, 30.0]), [0.0, 1.0])
    front, other = v.axle("front"), v.axle("rear")
    assert (front.regeneration_share, front.regeneration_m_s2) == (0.7, 2.5)
    assert (other.regeneration_share, other.regeneration_m_s2, other.weight_share) == (1.0, math.inf, None)


def test_grip_and_test_mass(small: Any, vehicle: Vehicle) -> None:
    """0.9 * 0.58 * 1900 kg * 9.81 m/s2 = 9729.6 N, worked by hand."""
    assert vehicle.grip_N("front") == pytest.approx(9729.558, rel=1e-9) and vehicle.grip_N("third") == math.inf
    assert vehicle.grip_N("front") + vehicle.grip_N("rear") == pytest.approx(0.9 * 1900 * 9.81, rel=1e-12)
    assert vehicle.mass_in_test_kg == 1900 and small("vehicle").mass_in_test_kg == 2000


def test_engine_times_ramp_and_cranking(small: Any) -> None:
    """1500 rpm/s are 157.08 rad/s2. Cranking 40 N m from rest to 1000 rpm in 0.3 s: 40 * 52.36 * 0.3 = 628.3 J. Drag half way
    between 12 and 20 N m at half the speed."""
    e = small("engine")
    assert (e.minimum_on_s, e.minimum_off_s) == (5.0, 0.0)
    assert e.speed_ramp_rad_s2 == pytest.approx(157.0796, rel=1e-6)
    assert e.cranking_energy_J == pytest.approx(628.3185, rel=1e-6)
    assert float(e.motoring_drag_Nm(1500 * np.pi / 30)) == pytest.approx(16.0, rel=1e-12)
    free = small("engine", ("c.toml", "speed_ramp_rpm_s = 1500\n", ""), ("c.toml", 'motoring = "drag.csv"\n', ""))
    assert free.speed_ramp_rad_s2 == math.inf and free.motoring_Nm.size == 0 and np.isnan(free.motoring_drag_Nm(100.0))
