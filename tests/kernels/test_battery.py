"""Battery in closed form: open-circuit voltage behind a resistance (published closed form, derived)."""

from __future__ import annotations

import math

import pytest

from ems.kernels.battery import electrochemical

VOLTAGE_V, RESISTANCE_OHM = 300.0, 0.3
EQUIVALENT_CIRCUIT = "Guzzella and Sciarretta, Vehicle Propulsion Systems, ch. 4: equivalent circuit (derived)"
X = RESISTANCE_OHM / VOLTAGE_V**2


@pytest.mark.parametrize(("power_W", "current_A"), [(20_000.0, 71.825581), (-20_000.0, -62.731434), (0.0, 0.0)])
def test_constant_voltage_battery(power_W, current_A, outside_check):
    """V 300, R 0.3: I = (V - sqrt(V^2 - 4 R P)) / 2 R, electrochemical power V I (derived)."""
    outside_check(electrochemical(power_W, X) / VOLTAGE_V, source=EQUIVALENT_CIRCUIT, value=current_A, unit="A", tolerance=5e-7,
                  quantity=f"current of 300 V behind 0.3 ohm at {power_W / 1e3:g} kW")
    exact = (VOLTAGE_V - math.sqrt(VOLTAGE_V**2 - 4 * RESISTANCE_OHM * power_W)) / (2 * RESISTANCE_OHM)
    assert electrochemical(power_W, X) == pytest.approx(VOLTAGE_V * exact, rel=1e-12)


def test_the_most_it_can_give(outside_check):
    """V^2 / 4 R = 75 kW, half of what flows inside."""
    outside_check(electrochemical(75_000.0, X) / VOLTAGE_V, source=EQUIVALENT_CIRCUIT, value=500.0, unit="A", tolerance=5e-4,
                  quantity="current of 300 V behind 0.3 ohm at the most it can give, 75 kW")
    assert electrochemical(75_000.1, X) == math.inf


@pytest.mark.parametrize("power_W", [35_000.0, 500.0, -500.0, -48_000.0])
def test_loss_is_current_squared_times_resistance(power_W):
    inside = electrochemical(power_W, X)
    assert inside - power_W == pytest.approx(RESISTANCE_OHM * (inside / VOLTAGE_V) ** 2, rel=1e-9)
