"""Four seconds of WLTC class 3b worked by hand on the three-clutch layout: every number below is a literal of the
shipped files or arithmetic on such literals, so that nothing of the plant is checked against itself.

Taxi: 1900 kg and 40 kg of wheels, 175 N + 0.9 N/(km/h) + 0.036 N/(km/h)^2, radius 0.33 m, auxiliaries 350 W.
Ratios: final 4, second 1.4, third 0.75 (odd to wheel-3), first 2.875, second machine 1.95; each mesh 0.985.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from ems.kernels.battery import electrochemical, state
from ems.kernels.plant import fuel_rate, make_bench, make_cut, terminal_power
from ems.kernels.transitions import set_rotating, transition
from ems.layout.load import load_layout
from ems.plant.plant import Plant, build_plant
from ems.trips.cycle import load_cycle
from ems.trips.demand import Demand, demand

E = 0.985
NO_COSTS = ("shifters.S1.hold_W=0", "pump.engine_stopped_W=0", "pump.engine_running_W=0",
            *(f"clutches.{k}.{what}=0" for k in ("K1", "K2", "K3") for what in ("hold_W", "drag_Nm")),
            *(f"shafts.{s}.drag_Nm=0" for s in ("odd", "even", "out", "diff")))
"""What clutches, pump and splash take is worked by hand in test_hand_elements."""
RPM = 30 / math.pi
SAME = 1e-9


@pytest.fixture(scope="module")
def plant() -> Plant:
    return build_plant(load_layout("three-clutch", overrides=NO_COSTS), lanes=1)


@pytest.fixture(scope="module")
def trip(plant: Plant) -> Demand:
    return demand(load_cycle("wltc-3b"), plant.layout.vehicle)


def node(plant: Plant, word: str) -> int:
    return next(n for n in range(len(plant.nodes)) if plant.configuration(n).id == word)


def evaluate(plant: Plant, trip: Demand, k: int, word: str, engine_Nm: float = 0.0, mg1_Nm: float = 0.0, free_rpm: float = 0.0):
    """The plant's answer for second k: (engine, mg1, mg2 torques, terminal power, fuel rate)."""
    t, radius = node(plant, word), plant.layout.vehicle.wheel_radius_m
    cut = make_cut(plant.arrays, make_bench(plant.arrays), t, trip.speed_m_s[k] / radius, free_rpm / RPM,
                   trip.acceleration_m_s2[k] / radius, trip.auxiliary_W[k], np.full(plant.arrays.axle_joint.size, -np.inf))
    cut.x[0], cut.x[1] = trip.force_N[k] * radius, engine_Nm
    if plant.maps[plant.nodes[t].configuration].inner:
        assert plant.maps[plant.nodes[t].configuration].inner == (1,)
        cut.x[2] = mg1_Nm
    P, code = terminal_power(cut)
    assert code == 0
    return (*(float(T) for T in cut.out[:3]), P, fuel_rate(cut))


def road(start_kmh: float, end_kmh: float) -> tuple[float, float, float]:
    """Wheel torque, speed and acceleration of one second from the vehicle's file."""
    kmh, a = (start_kmh + end_kmh) / 2, (end_kmh - start_kmh) / 3.6
    force = 175 + 0.9 * kmh + 0.036 * kmh**2 + (1900 + 40) * a
    return force * 0.33, kmh / 3.6 / 0.33, a / 0.33


def between(x: float, low: float, high: float, at_low: float, at_high: float) -> float:
    return at_low + (x - low) / (high - low) * (at_high - at_low)


def bilinear(x: float, y: float, xs: tuple[float, float], ys: tuple[float, float], corners: list[list[float]]) -> float:
    return between(x, *xs, between(y, *ys, *corners[0]), between(y, *ys, *corners[1]))


def test_demand_is_the_road_load(trip: Demand):
    for k, (start, end) in {220: (51.8, 52.7), 320: (26.1, 25.6), 1580: (123.0, 122.5)}.items():
        Tw, ww, alpha = road(start, end)
        assert trip.force_N[k] * 0.33 == pytest.approx(Tw, rel=SAME)
        assert trip.speed_m_s[k] / 0.33 == pytest.approx(ww, rel=SAME)
        assert trip.acceleration_m_s2[k] / 0.33 == pytest.approx(alpha, rel=SAME)


def test_parallel_charging_in_third(plant: Plant, trip: Demand):
    """51.8 to 52.7 km/h: the engine gives 102 N m, mg1 takes 3, mg2 what the wheels leave over."""
    Tw, ww, alpha = road(51.8, 52.7)
    out = (Tw + 0.05 * alpha) / (4 * E)                                      # torque on out that the final drive needs
    out += 0.008 * 4 * alpha                                                 # out itself
    out += 0.004 * 5.6 * alpha * 1.4 / E                                     # even, driven through second
    odd = 102 - 3 - (0.13 + 0.021 + 0.006) * 3 * alpha                       # crank, rotor-1 and odd at 3 x wheels
    odd -= 0.003 * (3 / 2.875) * alpha / (2.875 * E)                         # wheel-1, driven through first
    surplus = odd * 0.75 * E - 0.006 * 4 * alpha - out                       # left on wheel-3 for rotor-2
    assert surplus > 0
    mg2 = -surplus * E / 1.95 + 0.038 * 7.8 * alpha
    engine_rpm, mg2_rpm = 3 * ww * RPM, 7.8 * ww * RPM
    mg1_loss = bilinear(engine_rpm, -3, (1000, 1500), (-4.6, -1.6), [[125.86, 85.86], [139.51, 99.45]])
    mg2_loss = bilinear(mg2_rpm, mg2, (3000, 3500), (-3.2, 0), [[213.62, 188.07], [240.57, 215.44]])
    P = -3 * 3 * ww + mg1_loss + mg2 * 7.8 * ww + mg2_loss + 350
    fuel = bilinear(engine_rpm, 102, (1250, 1500), (100, 105), [[0.78426, 0.82178], [0.93961, 0.98110]])
    got = evaluate(plant, trip, 220, "on:K1+K2+S1=third", engine_Nm=102, mg1_Nm=-3)
    assert got == pytest.approx((102, -3, mg2, P, fuel), rel=SAME)


def test_regeneration_in_third(plant: Plant, trip: Demand):
    """26.1 to 25.6 km/h, engine at rest: every mesh but the road's own runs backwards, rotors give their energy."""
    Tw, ww, alpha = road(26.1, 25.6)
    out = (Tw + 0.05 * alpha) * E / 4 + 0.008 * 4 * alpha + 0.004 * 5.6 * alpha * 1.4 * E
    odd = 0.006 * 3 * alpha + 0.003 * (3 / 2.875) * alpha * E / 2.875        # negative: odd drives wheel-3
    wheel_3 = out + odd * 0.75 * E + 0.006 * 4 * alpha
    assert wheel_3 < 0
    mg2 = wheel_3 * E / 1.95 + 0.038 * 7.8 * alpha
    mg2_loss = bilinear(7.8 * ww * RPM, mg2, (1500, 2000), (-3.2, 0), [[148.59, 121.93], [167.88, 141.56]])
    P = mg2 * 7.8 * ww + mg2_loss + 45.0 + 350                               # mg1 at rest: 45 W standby
    assert evaluate(plant, trip, 320, "off:S1=third") == pytest.approx((0, 0, mg2, P, 0), rel=SAME, abs=1e-12)


def test_series(plant: Plant, trip: Demand):
    """123.0 to 122.5 km/h: mg2 drives alone, engine and mg1 turn at 1600 rpm and 60 N m of their own."""
    Tw, ww, alpha = road(123.0, 122.5)
    out = (Tw + 0.05 * alpha) / (4 * E) + 0.008 * 4 * alpha + 0.004 * 5.6 * alpha * 1.4 * E
    odd = 0.006 * 3 * alpha + 0.003 * (3 / 2.875) * alpha * E / 2.875
    mg2 = (out + odd * 0.75 * E + 0.006 * 4 * alpha) / (1.95 * E) + 0.038 * 7.8 * alpha
    mg1_loss = bilinear(1600, -60, (1500, 2000), (-67.4, -59.1), [[1582.06, 1325.33], [1627.11, 1363.43]])
    mg2_loss = bilinear(7.8 * ww * RPM, mg2, (7500, 8000), (16.8, 25.9), [[757.75, 895.40], [829.49, 969.73]])
    P = -60 * 1600 / RPM + mg1_loss + mg2 * 7.8 * ww + mg2_loss + 350
    fuel = between(1600, 1500, 1750, 0.61533, 0.72052)
    got = evaluate(plant, trip, 1580, "on:K1+S1=third", engine_Nm=60, free_rpm=1600)
    assert got == pytest.approx((60, -60, mg2, P, fuel), rel=SAME)


def test_engine_start_in_third(plant: Plant):
    """At 14 m/s mg1 brings itself and the engine to 3 x wheels; cranking at 45 N m for 0.3 s; all over 0.9."""
    w = 3 * 14.0 / 0.33
    work = 0.5 * 0.13 * w**2 + 45 * (w / 2) * 0.3
    electric = 0.5 * 0.021 * w**2 / 0.9 + work / 0.9
    pulse = 2 / (1 + math.sqrt(1 - 4 * 10_000 * 0.12703 / 310.016**2))       # 10 kW out of the battery at its target
    a, b, before, after = node(plant, "off:S1=third"), node(plant, "on:K1+K2+S1=third"), np.zeros(5), np.zeros(5)
    set_rotating(plant.transitions, a, 14.0 / 0.33, before)
    set_rotating(plant.transitions, b, 14.0 / 0.33, after)
    got = transition(plant.transitions, a, b, before, after, np.zeros(2))
    assert got.electric == pytest.approx(electric, rel=SAME)
    assert got.stored == pytest.approx(electric * pulse, rel=SAME)
    assert got.engine == pytest.approx(45 * (w / 2) * 0.3, rel=SAME)
    assert plant.transitions.start_fuel == 0.4


def test_engine_start_beside_a_turning_machine(plant: Plant):
    """In third with mg1 turning already, K1 slips until the engine turns too: half J w^2 is lost in it beside what the engine gains."""
    w = 3 * 14.0 / 0.33
    gain = 0.5 * 0.13 * w**2
    a, b, before, after = node(plant, "off:K2+S1=third"), node(plant, "on:K1+K2+S1=third"), np.zeros(5), np.zeros(5)
    set_rotating(plant.transitions, a, 14.0 / 0.33, before)
    set_rotating(plant.transitions, b, 14.0 / 0.33, after)
    got = transition(plant.transitions, a, b, before, after, np.zeros(2))
    assert got.clutches == pytest.approx(gain, rel=SAME) and got.kinetic == pytest.approx(gain, rel=SAME)
    assert got.electric == pytest.approx((2 * gain + 45 * (w / 2) * 0.3) / 0.9, rel=SAME)


@pytest.mark.parametrize("terminal_W", [18_000.0, -18_000.0])
def test_battery_step_at_half_charge(plant: Plant, terminal_W: float):
    """From charge 0.52 at 18 kW: inside and outside differ by R I^2 and the charge that flows is I times a second."""
    soc, V = 0.52, between(0.52, 0.5, 0.55, 303.641, 310.016)
    R = between(0.52, 0.5, 0.55, *((0.12774, 0.12703) if terminal_W > 0 else (0.12681, 0.12812)))
    current = (V - math.sqrt(V**2 - 4 * R * terminal_W)) / (2 * R)
    e = float(plant.layout.battery.energy_J(soc))
    at, v, rd, rc = state(plant.battery, e)
    p = electrochemical(terminal_W, (rd if terminal_W > 0 else rc) / v**2)
    assert (at, v) == pytest.approx((soc, V), rel=SAME)
    assert p == pytest.approx(V * current, rel=SAME)
    assert p == pytest.approx(terminal_W + R * current**2, rel=SAME)
    fall = soc - state(plant.battery, e - p)[0]
    slope = (310.016 - 303.641) / 0.05                                       # energy = capacity (V d - slope d^2 / 2)
    assert 4.85 * 3600 * (V * fall - slope * fall**2 / 2) == pytest.approx(p, rel=1e-8)
