"""Warming up: the closed form against numerical integration, and schedules that bound every operation."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from ems.components.coldstart import ColdStart
from ems.components.engine import Engine

COLD = ColdStart(
    temperature_C=np.array([-20.0, 20.0, 50.0, 90.0]), fuel_factor=np.array([1.8, 1.3, 1.1, 1.0]), start_C=20.0,
    heat_capacity_J_K=60e3, heat_share=0.25, heat_loss_W_K=15.0)


def test_temperature_by_hand() -> None:
    """Without loss 0.25 * 24 kW over 60 kJ/K is 0.1 K/s; with it the equilibrium is 20 + 6000/15 = 420 degrees, time constant
    4000 s: after 400 s 20 + 400 (1 - exp(-0.1)) = 58.065 degrees. The thermostat holds 90."""
    lossless = ColdStart(COLD.temperature_C, COLD.fuel_factor, 20.0, 60e3, 0.25, 0.0)
    assert lossless.after(20.0, 24e3, 400.0) == pytest.approx(60.0, rel=1e-12)
    assert COLD.after(20.0, 24e3, 400.0) == pytest.approx(20 + 400 * (1 - np.exp(-0.1)), rel=1e-12)
    assert COLD.after(80.0, 24e3, 4000.0) == 90.0
    assert COLD.after(80.0, 0.0, 4000.0) == pytest.approx(20 + 60 / np.e, rel=1e-12)     # stopped, it cools


def test_temperature_against_numerical_integration() -> None:
    """scipy's integrator on the differential equation, fuel power switched every minute."""
    powers_W = [30e3, 0.0, 12e3, 45e3, 5e3]
    temperature = 20.0
    for power in powers_W:
        temperature = float(COLD.after(temperature, power, 60.0))
    at = np.array([20.0])
    for power in powers_W:
        at = solve_ivp(lambda t, y, p=power: (0.25 * p - 15.0 * (y - 20.0)) / 60e3, (0, 60), at, rtol=1e-10, atol=1e-10).y[:, -1]
    assert temperature == pytest.approx(float(at[0]), abs=1e-6)


@settings(max_examples=100, deadline=None)
@given(powers_kW=st.lists(st.floats(0.0, 100.0), min_size=1, max_size=60))
def test_the_fastest_schedule_bounds_every_operation(powers_kW: list[float]) -> None:
    """Whatever is burnt up to 100 kW, no engine is warmer than at 100 kW throughout; both factors never rise there."""
    fastest = COLD.schedule(np.arange(len(powers_kW) + 1) * 30.0, 100e3)
    assert np.all(np.diff(fastest) <= 0) and fastest[0] == COLD.factor(20.0)
    temperature = 20.0
    for bound, power in zip(fastest, powers_kW, strict=False):
        assert float(COLD.factor(temperature)) >= bound - 1e-12
        temperature = float(COLD.after(temperature, 1e3 * power, 30.0))
    assert float(COLD.factor(temperature)) >= fastest[-1] - 1e-12


@pytest.mark.parametrize("late", [False, True])
def test_a_trip_pays_for_the_heat_it_needs(late: bool) -> None:
    """Without losses to the surroundings the fuel on top is C / (share Hu) times the integral of 1 - 1/f over temperature, whenever
    it is burnt (derived from the energy balance); here in energy, with the heating value divided out."""
    no_loss = dataclasses.replace(COLD, heat_loss_W_K=0.0)
    fuel_W = np.where(np.arange(4000) >= 2000, 30e3, 0.0) if late else np.full(4000, 15e3)
    factor = no_loss.driven(fuel_W, np.ones(4000))
    assert factor[0] == pytest.approx(COLD.factor(20.0), rel=1e-2) and factor[-1] == 1.0
    at = np.linspace(no_loss.start_C, no_loss.warm_C, 20_001)
    needed_J = np.trapezoid(1.0 - 1.0 / no_loss.factor(at), at) * no_loss.heat_capacity_J_K / no_loss.heat_share
    assert np.sum((factor - 1.0) * fuel_W) == pytest.approx(needed_J, rel=2e-3)


def test_factor_is_not_extrapolated() -> None:
    with pytest.raises(ValueError, match="engine temperature below the curve: -30"):
        COLD.factor(-30.0)
    assert COLD.factor([35.0, 120.0]) == pytest.approx([1.2, 1.0])


def test_shipped_engine_warms_up_within_a_cycle(engine: Engine) -> None:
    """At 19 kW of fuel, the mean of a family hybrid on the WLTC, it is warm between 10 and 25 minutes (common practice, no
    source); and the mean of the factor over 1800 s is a few per cent."""
    assert engine.cold is not None
    schedule = engine.cold.schedule(np.arange(1801.0), 19e3)
    assert 600 < int(np.argmax(schedule == 1.0)) < 1500 and 1.02 < schedule.mean() < 1.08
    assert float(engine.cold.schedule(60.0, engine.most_fuel_W)) == 1.0      # the bound alone is weak: warm within a minute
