"""Closed forms of battery, engine and machine, against what they must give by hand or by brute force."""

from __future__ import annotations

import dataclasses
import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.interpolate import RegularGridInterpolator

from ems.components.battery import Battery, load_battery, weakest_point
from ems.components.engine import Engine, load_engine
from ems.components.interpolation import bilinear
from ems.components.machine import Machine, load_machine
from ems.components.vehicle import load_vehicle
from ems.errors import InputError


def of_table(soc: list[float], voltage_V: list[float], resistance_ohm: list[float]) -> Battery:
    return Battery(
        name="b", title="b", soc=np.array(soc), voltage_V=np.array(voltage_V),
        resistance_discharge_ohm=np.array(resistance_ohm), resistance_charge_ohm=np.array(resistance_ohm),
        capacity_As=18_000.0, soc_low=soc[0], soc_high=soc[-1], soc_target=soc[0], discharge_limit_W=1e3,
        charge_limit_W=1e3, discharge_limit_A=100.0, charge_limit_A=100.0, source="test", invented=True, files=(),
    )


def test_stored_energy_by_hand() -> None:
    """5 Ah, 300 V at empty and 360 V at full: 330 V on average, 1.65 kWh; half full 315 V on average, 0.7875 kWh."""
    b = of_table([0.0, 1.0], [300.0, 360.0], [0.1, 0.1])
    assert b.energy_J(1.0) == pytest.approx(1.65 * 3.6e6, rel=1e-14)
    assert b.energy_J(0.5) == pytest.approx(0.7875 * 3.6e6, rel=1e-14)
    assert b.soc_at(0.7875 * 3.6e6) == pytest.approx(0.5, rel=1e-14)


def test_stored_energy_is_the_integral_of_voltage(battery: Battery) -> None:
    """Against adaptive quadrature (scipy) of the interpolated voltage, piece by piece."""
    b = battery
    for soc in (0.07, 0.3512, 0.55, 0.949):
        points = [s for s in b.soc if s < soc] + [soc]
        pieces = [quad(lambda s: np.interp(s, b.soc, b.voltage_V), lo, hi)[0]
                  for lo, hi in itertools.pairwise(points)]
        assert float(b.energy_J(soc)) == pytest.approx(b.capacity_As * sum(pieces), rel=1e-12)


@settings(max_examples=200, deadline=None)
@given(
    steps=st.lists(st.tuples(st.floats(0.01, 0.2), st.floats(50.0, 900.0)), min_size=2, max_size=5),
    share=st.floats(0.0, 1.0),
)
def test_charge_and_stored_energy_are_inverse(steps: list[tuple[float, float]], share: float) -> None:
    """Any positive voltage, rising, falling or flat: each is the other's inverse to 1e-12 of the range."""
    soc = np.concatenate([[0.0], np.cumsum([s for s, _ in steps[1:]])])
    b = of_table(list(soc), [v for _, v in steps], [0.1] * len(steps))
    at = share * soc[-1]
    assert float(b.soc_at(b.energy_J(at))) == pytest.approx(at, abs=1e-12 * soc[-1])
    energy = share * b.node_energy_J[-1]
    assert float(b.energy_J(b.soc_at(energy))) == pytest.approx(energy, abs=1e-12 * b.node_energy_J[-1])


def test_shipped_battery_inverts_at_every_node_and_between(battery: Battery) -> None:
    b = battery
    soc = np.linspace(b.soc[0], b.soc[-1], 1001)
    assert np.max(np.abs(b.soc_at(b.energy_J(soc)) - soc)) < 1e-12
    assert np.array_equal(b.energy_J(b.soc), b.node_energy_J)


@pytest.mark.parametrize("soc", [0.0, 1.0, float("nan")])
def test_no_stored_energy_outside_the_table(soc: float, battery: Battery) -> None:
    with pytest.raises(ValueError, match=r"state of charge outside the table: .*table 0\.05 to 0\.95"):
        battery.energy_J([0.5, soc])


@pytest.mark.parametrize("voltage_V, resistance_ohm, limit_kW", [
    ([300.0, 300.0], [0.1, 0.2], [90.0, 90.0]),
    ([200.0, 400.0], [0.05, 0.4], [150.0, 150.0]),     # V^2 - 4 R P is least inside, P constant
    ([400.0, 200.0], [0.4, 0.02], [99.0, 99.0]),
    ([250.0, 350.0], [0.2, 0.1], [20.0, 120.0]),
    ([200.0, 400.0], [0.1, 0.1], [90.0, 390.0]),       # and with P over charge
])
def test_weakest_point_is_the_least_of_a_fine_scan(
    voltage_V: list[float], resistance_ohm: list[float], limit_kW: list[float]
) -> None:
    limit_W = 1e3 * np.array(limit_kW)
    b = dataclasses.replace(of_table([0.2, 0.8], voltage_V, resistance_ohm), discharge_soc_W=limit_W, discharge_limit_W=limit_W.max())
    s = np.linspace(0.2, 0.8, 200_001)
    voltage, resistance, limit = (np.interp(s, b.soc, y) for y in (b.voltage_V, b.resistance_discharge_ohm, limit_W))
    margin = voltage**2 - 4 * resistance * limit
    soc, at_limit_W, most_W = weakest_point(b)
    assert soc == pytest.approx(s[np.argmin(margin)], abs=1e-4)
    assert at_limit_W == pytest.approx(np.interp(soc, s, limit), rel=1e-12)
    at_resistance = np.interp(soc, b.soc, b.resistance_discharge_ohm)
    assert 4 * at_resistance * (most_W - at_limit_W) == pytest.approx(margin.min(), abs=1e-6 * np.abs(margin).max())


def test_bilinear_against_scipy_and_nan_outside() -> None:
    rng = np.random.default_rng(1)
    x, y, table = np.sort(rng.random(7)), np.sort(rng.random(5)), rng.random((7, 5))
    px, py = rng.uniform(x[0], x[-1], 500), rng.uniform(y[0], y[-1], 500)
    assert np.allclose(bilinear(x, y, table, px, py), RegularGridInterpolator((x, y), table)((px, py)), atol=1e-14)
    assert np.array_equal(bilinear(x, y, table, x[:, None], y[None, :]), table)
    assert np.all(np.isnan(bilinear(x, y, table, [x[0] - 1e-9, x[-1] + 1e-9, x[2]], [y[1], y[1], y[-1] + 1e-9])))


def test_best_efficiency_of_a_constant_efficiency_engine(engine: Engine) -> None:
    """Fuel exactly in proportion to power: the efficiency is the same everywhere above zero torque."""
    fuel_g_s = engine.speed_rad_s[:, None] * engine.torque_Nm / (0.37 * engine.fuel.heating_value_J_g)
    assert dataclasses.replace(engine, fuel_g_s=fuel_g_s).best_efficiency() == pytest.approx(0.37, rel=1e-12)


@pytest.mark.parametrize("shift", [0.0, 0.31, 0.5, 0.77])
def test_best_efficiency_bounds_every_point_and_is_reached(shift: float, engine: Engine) -> None:
    """Brute force over a fine scan, full load cut low so that the best point lies on the curve inside a cell."""
    e = engine
    full = np.minimum(e.full_load_Nm, 100.0 + 3.0 * shift) if shift else e.full_load_Nm
    limit = e.limit_speed_rad_s + shift * np.gradient(e.limit_speed_rad_s) * (np.arange(full.size) % 2)
    limit[-1] = e.limit_speed_rad_s[-1]
    e = dataclasses.replace(e, full_load_Nm=full, limit_speed_rad_s=limit, cold=None)
    speed = np.linspace(e.idle_rad_s, e.max_rad_s, 4001)
    top = np.interp(speed, limit, full)
    torque = np.concatenate([np.linspace(0.3, 1.0, 281)[None, :] * top[:, None],
                             np.minimum(e.torque_Nm[None, 1:], top[:, None])], axis=1)
    power = speed[:, None] * torque
    scan = np.max(power / (e.fuel_rate_g_s(speed[:, None], torque) * e.fuel.heating_value_J_g))
    assert scan <= e.best_efficiency() * (1 + 1e-12)
    assert scan == pytest.approx(e.best_efficiency(), rel=2e-6)
    efficiency, at_rad_s, at_Nm = e.best_point()
    burnt_W = float(e.fuel_rate_g_s(at_rad_s, at_Nm)) * e.fuel.heating_value_J_g
    assert at_rad_s * at_Nm / burnt_W == pytest.approx(efficiency, rel=1e-12)
    most_W = float(np.max(e.fuel_rate_g_s(speed[:, None], torque))) * e.fuel.heating_value_J_g
    assert most_W <= e.most_fuel_W * (1 + 1e-12) and most_W == pytest.approx(e.most_fuel_W, rel=1e-6)


def test_best_line_is_the_best_of_a_scan(engine: Engine) -> None:
    power = np.array([5e3, 20e3, 60e3, 1.2 * engine.rated_power_W])
    speed, torque, efficiency = engine.best_line(power, speeds=201)
    assert np.all(np.isnan([speed[3], torque[3], efficiency[3]]))
    for i in range(3):
        scan = [float(w * t / (engine.fuel_rate_g_s(w, t) * engine.fuel.heating_value_J_g))
                for w in np.linspace(engine.idle_rad_s, engine.max_rad_s, 201)
                if (t := power[i] / w) <= np.interp(w, engine.limit_speed_rad_s, engine.full_load_Nm)]
        assert efficiency[i] == pytest.approx(max(scan), rel=1e-12) and speed[i] * torque[i] == pytest.approx(power[i])
    assert efficiency[1] < engine.best_efficiency()


def test_scaling_keeps_efficiencies_and_speeds(engine: Engine, machine: Machine) -> None:
    """Similarity: mean effective pressures, hence efficiencies, stay; everything that goes with displacement is halved."""
    e, m = engine, machine
    half, smaller = e.scaled(0.5 * e.rated_power_W), m.scaled(60e3)
    assert half.best_efficiency() == pytest.approx(e.best_efficiency(), rel=1e-12)
    assert np.max(half.limit_speed_rad_s * half.full_load_Nm) == pytest.approx(0.5 * e.rated_power_W, rel=1e-12)
    assert half.fuel_rate_g_s(200.0, 40.0) == pytest.approx(0.5 * e.fuel_rate_g_s(200.0, 80.0), rel=1e-12)
    k = 60e3 / m.rated_power_W
    assert smaller.rated_power_W == 60e3
    assert smaller.loss_at_W(500.0, k * 70.0) == pytest.approx(k * m.loss_at_W(500.0, 70.0), rel=1e-12)
    assert np.max(smaller.limit_speed_rad_s * smaller.peak_Nm) == pytest.approx(60e3, rel=1e-12)
    assert (smaller.inertia_kgm2, smaller.max_rad_s) == (pytest.approx(k * m.inertia_kgm2), m.max_rad_s)
    assert dataclasses.replace(m, standby_W=30.0).scaled(60e3).standby_W == pytest.approx(30.0 * k, rel=1e-12)
    assert np.array_equal(smaller.continuous_Nm, k * m.continuous_Nm)
    assert half.motoring_drag_Nm(200.0) == pytest.approx(0.5 * e.motoring_drag_Nm(200.0), rel=1e-12)
    assert half.cranking_energy_J == pytest.approx(0.5 * e.cranking_energy_J, rel=1e-12)
    assert (half.mass_kg, smaller.mass_kg) == (pytest.approx(0.5 * e.mass_kg), pytest.approx(k * m.mass_kg))
    assert half.cold is not None and e.cold is not None       # half the fuel warms half the engine as fast
    assert half.cold.schedule(300.0, 10e3) == pytest.approx(e.cold.schedule(300.0, 20e3), rel=1e-12)
    assert (half.start_fuel_g, half.cranking_time_s) == (pytest.approx(0.5 * e.start_fuel_g), e.cranking_time_s)


@pytest.mark.parametrize("rating_W", [0.0, -5e3, float("nan"), float("inf")])
def test_scaling_to_no_rating_is_refused(rating_W: float, engine: Engine, machine: Machine) -> None:
    for component in (engine, machine):
        with pytest.raises(InputError, match=r"my\.toml: engine\.rating_kW: found .* kW; expected a rating above zero"):
            component.scaled(rating_W, where="my.toml", key="engine.rating_kW")


def test_machine_backwards_mirrors_forwards(machine: Machine) -> None:
    m = machine
    assert m.loss_at_W(-500.0, -70.0) == m.loss_at_W(500.0, 70.0)
    assert m.loss_at_W(-500.0, 70.0) == m.loss_at_W(500.0, -70.0) != m.loss_at_W(500.0, 70.0)


def test_machine_efficiency_by_hand(small: Any) -> None:
    """100 N m at 6000 rpm are 62 831.85 W; with 3000 W lost 95.443 % driving, 95.225 % generating. At rest nothing comes out."""
    m = small("machine")
    w = 6000 * np.pi / 30
    assert float(m.efficiency(w, 100.0)) == pytest.approx(62_831.853 / 65_831.853, rel=1e-6)
    assert float(m.efficiency(w, -100.0)) == float(m.efficiency(-w, 100.0)) == pytest.approx(59_831.853 / 62_831.853, rel=1e-6)
    assert float(m.efficiency(0.0, 50.0)) == 0.0 and np.isnan(m.efficiency(w, 101.0))


def test_machine_loss_from_electrical_power_is_the_same(tmp_path: Path, machine: Machine) -> None:
    """The map given as electrical power, loss + torque times speed, must come back as the same loss."""
    m = machine
    for file in m.files:
        (tmp_path / file.name).write_bytes(file.read_bytes())
    lines = ["speed_rpm,torque_Nm,electrical_power_W"] + [
        f"{w * 30 / np.pi:.0f},{t:g},{w * t + float(m.loss_W[i, j])!r}"
        for i, w in enumerate(map(float, m.speed_rad_s)) for j, t in enumerate(map(float, m.torque_Nm))]
    (tmp_path / "machine-75.csv").write_text("\n".join(lines))
    other = load_machine(str(tmp_path / "machine-75.toml"), where="t", key="m")
    assert np.allclose(other.loss_W, m.loss_W, rtol=0, atol=1e-9)


def test_road_load_by_drag_area_and_rolling_resistance() -> None:
    """0.5 * 1.2 * 0.7 m2 = 0.42 N/(m/s)^2 and 1000 kg * 9.81 * 0.01 = 98.1 N, worked by hand."""
    table = {"mass_kg": 1000, "rotating_mass_kg": 0, "wheel_radius_m": 0.3, "auxiliary_W": 0,
             "drag_area_m2": 0.7, "rolling_resistance": 0.01}
    v = load_vehicle(table, where="t", key="vehicle")
    assert (v.f0_N, v.f1_Ns_m, v.f2_Ns2_m2) == (pytest.approx(98.1), 0.0, pytest.approx(0.42))
    assert v.files == () and v.source == "not stated in t" and v.name == "vehicle"


def test_overrides_replace_keys() -> None:
    v = load_vehicle("hill-taxi", where="--set", key="vehicle", overrides={"mass_kg": 2000})
    assert v.mass_kg == 2000.0 and v.wheel_radius_m == 0.33
    b = load_battery("hybrid-1k5", where="--set", key="battery", overrides={"soc_low": 0.2})
    assert b.soc_low == 0.2
    e = load_engine("dedicated-1500", where="--set", key="engine.map", overrides={"cold": {"start_C": -10}})
    assert e.cold is not None and (e.cold.start_C, e.cold.heat_share) == (-10.0, 0.28)      # tables are merged key by key
