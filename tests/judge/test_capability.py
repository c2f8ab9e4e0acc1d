"""Wheel force, runs and grades against closed forms, hand calculation and random choices; the capability asked of what is shipped.

Closed forms (derived): with power P and acceleration capped at a, the run from rest to v takes v1/a + m (v^2 - v1^2) / 2P with
v1 = P / (m a); the top speed is the root of f0 v + f1 v^2 + f2 v^3 = P; a grade of sine s takes m g s. Guzzella & Sciarretta,
Vehicle Propulsion Systems, ch. 2, give the same equation of motion (from memory).
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pytest

from ems import library
from ems.components.vehicle import GRAVITY_M_S2, Vehicle
from ems.judge.capability import SPRINTS_KMH, beginnings, capability, climb, needed_N, run, start_grade_percent, top_speed_kmh
from ems.judge.force_curves import ForceCurves, battery_gives_W, force_curves, speeds_m_s
from ems.judge.full_throttle import Changes, Tyres, changes, driven_axles, sprint, tyres_of
from ems.kernels.box import best_division
from ems.kernels.plant import make_bench, make_cut
from ems.layout.load import load_layout
from ems.plant.plant import build_plant

STICKY = Tyres(grip=50.0)
SECONDS = {"plain-car": (11.5, 12.5)}
"""0-100 km/h where it is not the 8 to 10 s asked: the same engine and no machine that drives; its file says more."""


def car(f0=0.0, f1=0.0, f2=0.0, mass_kg=1500.0) -> Vehicle:
    return Vehicle("car", "car", mass_kg, 0.0, f0, f1, f2, 0.3, 0.0, "made for a test", True, ())


def constant_power(vehicle: Vehicle, power_W: float, most_m_s2: float, nodes: int = 1, step_kmh: float = 1.0) -> ForceCurves:
    """Curves of a powertrain of constant power in every node."""
    v = np.arange(0.0, 301.0, step_kmh) / 3.6
    resistance = vehicle.f0_N + vehicle.f1_Ns_m * v + vehicle.f2_Ns2_m2 * v**2
    force = np.minimum(power_W / np.maximum(v, 1e-9), vehicle.mass_kg * most_m_s2 + resistance)
    pull = np.repeat(((force - resistance) / vehicle.mass_kg)[:, None], nodes, axis=1)
    layout = SimpleNamespace(vehicle=vehicle, axles=[SimpleNamespace(name="front")])
    plant = SimpleNamespace(layout=layout, configuration=lambda n: SimpleNamespace(id=f"node {n}"))
    return ForceCurves(plant, v, resistance, np.repeat(force[:, None], nodes, axis=1), np.zeros(pull.shape, np.int64), pull)


def no_changes(nodes=1, duration_s=1e3):
    return Changes(np.full((nodes, nodes), duration_s), {(a, b): () for a in range(nodes) for b in range(nodes)})


MOTION = "Guzzella and Sciarretta, Vehicle Propulsion Systems, ch. 2: equation of motion, its closed forms (derived)"


@pytest.mark.parametrize("kmh", [50.0, 100.0, 180.0])
def test_run_of_constant_power_is_the_closed_form(kmh, outside_check):
    power, a, m = 90e3, 4.0, 1500.0
    run = sprint(constant_power(car(), power, a), no_changes(), STICKY, 0.0, kmh / 3.6, [0])
    v, v1 = kmh / 3.6, power / (m * a)
    expected = v1 / a + m * (v**2 - v1**2) / (2 * power) if v > v1 else v / a
    outside_check(run.time_s, source=MOTION, quantity=f"0 to {kmh:g} km/h of 1500 kg with 90 kW, 4 m/s2 at most", value=round(expected, 5),
                  unit="s", tolerance=2e-3 * expected)


def test_grip_caps_the_run():
    """Front axle: mu (share m g - h m a) = m a, so a = mu share g / (1 + mu h); derived."""
    tyres = Tyres(grip=0.8, front_share=0.6, height_share=0.2)
    a = 0.8 * 0.6 * GRAVITY_M_S2 / (1 + 0.8 * 0.2)
    run = sprint(constant_power(car(), 1e6, 50.0), no_changes(), tyres, 0.0, 20.0 / 3.6, [0])
    assert run.time_s == pytest.approx(20.0 / 3.6 / a, rel=1e-9)


def test_grip_of_two_axles():
    """A weak rear axle adds its own force to the front axle's grip: m a = mu (share m g - h m a) + F; a strong one makes the whole
    weight count: a = mu g. On a grade s without rolling resistance, m g s in place of m a (derived)."""
    tyres, m = Tyres(grip=0.8, front_share=0.6, height_share=0.2), 1500.0
    layout, flat = SimpleNamespace(vehicle=car()), np.zeros(2)
    own_N = {"front": np.array([np.inf, np.inf]), "rear": np.array([900.0, 1e6])}
    weak = (0.8 * 0.6 * GRAVITY_M_S2 + 900.0 / m) / (1 + 0.8 * 0.2)
    assert tyres.most_acceleration_m_s2(layout, flat, ("front", "rear"), own_N) == pytest.approx([weak, 0.8 * GRAVITY_M_S2], rel=1e-12)
    assert tyres.steepest(layout, ("front", "rear"), {"front": np.inf, "rear": 900.0}) == pytest.approx(weak / GRAVITY_M_S2, rel=1e-12)
    assert tyres.steepest(layout, ("rear",), own_N) == pytest.approx(0.8 * 0.4 / (1 - 0.8 * 0.2), rel=1e-12)


def test_an_axle_taken_off_the_wheels_is_not_driven():
    """By hand from the drawing in three-clutch-rear's file."""
    plant = build_plant(load_layout("three-clutch-rear"), lanes=1)
    axles = {plant.configuration(n).id: driven_axles(plant.layout, plant.configuration(n)) for n in range(len(plant.nodes))}
    assert axles["off:open"] == axles["on:open"] == ()
    assert axles["off:K4"] == ("rear",) and axles["off:S1=first"] == axles["on:K1+K3"] == ("front",)
    assert axles["off:K4+S1=first"] == axles["on:K1+K3+K4"] == ("front", "rear")


def test_a_change_without_drive_costs_what_coasting_loses():
    """Node 1 is needed above 60 km/h; the change takes 0.5 s without drive or resistance: exactly 0.5 s more."""
    curves = constant_power(car(), 60e3, 4.0, nodes=2)
    pull = curves.acceleration_m_s2.copy()
    pull[curves.speed_m_s > 60.0 / 3.6 + 1e-9, 0] = np.nan
    curves = replace(curves, acceleration_m_s2=pull)
    free = sprint(curves, no_changes(2, 0.0), STICKY, 0.0, 100.0 / 3.6, [0])
    broken = sprint(curves, no_changes(2, 0.5), STICKY, 0.0, 100.0 / 3.6, [0])
    assert broken.time_s - free.time_s == pytest.approx(0.5, abs=2e-3)
    assert [step["configuration"] for step in broken.steps] == ["node 0", "node 1"]


def test_a_change_that_is_bridged_costs_less_than_one_that_is_not():
    curves = constant_power(car(), 60e3, 4.0, nodes=2)
    curves.acceleration_m_s2[curves.speed_m_s > 60.0 / 3.6 + 1e-9, 0] = np.nan
    bridged = Changes(np.full((2, 2), 0.5), {(0, 1): (1,), (1, 0): ()})
    run = sprint(curves, bridged, STICKY, 0.0, 100.0 / 3.6, [0])
    assert run.time_s == pytest.approx(sprint(curves, no_changes(2, 0.0), STICKY, 0.0, 100.0 / 3.6, [0]).time_s, abs=0.1)


def test_a_start_at_rest_costs_its_time_and_no_more():
    """Node 0 does not pull; node 1, the engine, does so 0.6 s later: the closed form of constant power and 0.6 s, rolling resistance or
    not, for a car at rest stays there (derived)."""
    power, a, m = 90e3, 4.0, 1500.0
    v, v1 = 100.0 / 3.6, power / (m * a)
    expected = 0.6 + v1 / a + m * (v**2 - v1**2) / (2 * power)
    for f0 in (0.0, 200.0):
        curves = constant_power(car(f0=f0), power, a, nodes=2)
        curves.acceleration_m_s2[:, 0] = np.nan
        seconds = sprint(curves, no_changes(2, 0.6), STICKY, 0.0, v, [0]).time_s
        pulling = sprint(curves, no_changes(2, 0.6), STICKY, 0.0, v, [1]).time_s
        assert seconds == pytest.approx(pulling + 0.6, abs=1e-9)
        assert f0 or seconds == pytest.approx(expected, rel=2e-3)


def test_a_change_loses_what_rolling_takes_meanwhile():
    """0.5 s without drive at 60 km/h under 300 N: v falls by 0.5 f / m, which the next node makes up at its own acceleration there.

    So the change costs 0.5 s (1 + (f / m) / a(v)), a(v) = (P / v - f) / m (derived, to the first order in what is lost).
    """
    f, power, m = 300.0, 60e3, 1500.0
    curves = constant_power(car(f0=f), power, 4.0, nodes=2)
    curves.acceleration_m_s2[curves.speed_m_s > 60.0 / 3.6 + 1e-9, 0] = np.nan
    curves.acceleration_m_s2[curves.speed_m_s < 60.0 / 3.6 - 1e-9, 1] = np.nan
    free, broken = (sprint(curves, no_changes(2, s), STICKY, 0.0, 100.0 / 3.6, [0]).time_s for s in (0.0, 0.5))
    pull = (power / (60.0 / 3.6) - f) / m
    assert broken - free == pytest.approx(0.5 * (1.0 + f / m / pull), rel=5e-3)


def test_a_bridge_pulls_for_as_long_as_the_change_takes():
    """Constant accelerations: 3 m/s2 to 60 km/h, 1.5 m/s2 through a change of 0.8 s, then 2 m/s2 to 100 km/h (by hand)."""
    curves = constant_power(car(), 60e3, 4.0, nodes=3)
    curves.acceleration_m_s2[:] = (3.0, 1.5, 2.0)
    curves.acceleration_m_s2[curves.speed_m_s > 60.0 / 3.6 + 1e-9, 0] = np.nan
    table = Changes(np.array([[0.0, 9.0, 0.8], [9.0, 0.0, 9.0], [9.0, 9.0, 0.0]]),
                    {(a, b): (1,) if (a, b) == (0, 2) else () for a in range(3) for b in range(3)})
    expected = 60.0 / 3.6 / 3.0 + 0.8 + (40.0 / 3.6 - 0.8 * 1.5) / 2.0
    assert sprint(curves, table, STICKY, 0.0, 100.0 / 3.6, [0]).time_s == pytest.approx(expected, abs=1e-6)


def test_top_speed_is_the_root_of_the_cubic(outside_check):
    vehicle = car(f0=150.0, f1=2.0, f2=0.45)
    roots = np.roots([0.45, 2.0, 150.0, -70e3])
    top = float(roots[np.isreal(roots)].real[0])
    outside_check(top_speed_kmh(constant_power(vehicle, 70e3, 4.0)), source=MOTION, value=round(3.6 * top, 4), unit="km/h", tolerance=0.2,
                  quantity="top speed with 70 kW against 150 N, 2 N s/m and 0.45 N s2/m2")


def test_grade_against_trigonometry(outside_check):
    layout = SimpleNamespace(vehicle=car(f0=100.0))
    assert needed_N(layout, 0.0, 100.0) == pytest.approx((1500.0 * GRAVITY_M_S2 + 100.0) * math.sqrt(0.5), rel=1e-12)
    curves = constant_power(car(), 1e9, 0.3 * GRAVITY_M_S2)
    expected = 100.0 * math.tan(math.asin(0.3))
    outside_check(start_grade_percent(curves, STICKY), source=MOTION, quantity="grade of a start at 0.3 g", value=round(expected, 6),
                  unit="%", tolerance=1e-5)


# -- force of the shipped layouts -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def series():
    return build_plant(load_layout("series"), lanes=1)


def node(plant, word):
    return next(n for n in range(len(plant.nodes)) if plant.configuration(n).id == word)


def test_electric_force_by_hand(series):
    """One machine, one ratio of 9 with 0.98, 0.3 N m of splash at the last wheel: F = (T_peak(w) 9 * 0.98 - 0.3) / r where the
    battery is strong enough (by hand)."""
    n, speed = node(series, "off:open"), np.array([2.0, 6.0])
    curves = force_curves(series, speed, gives_W=1e9, gathering=True)
    machine, vehicle = series.layout.machines[1].machine, series.layout.vehicle
    peak = np.interp(speed / 0.33 * 9.0, machine.limit_speed_rad_s, machine.peak_Nm)
    force = (peak * 9.0 * 0.98 - 0.3) / 0.33
    assert curves.force_N[:, n] == pytest.approx(force, rel=1e-5)
    rotor = machine.inertia_kgm2 * 81.0 * 0.98 + series.layout.shaft_properties["diff"].inertia_kgm2
    mass = vehicle.mass_kg + vehicle.rotating_mass_kg + rotor / 0.33**2
    assert curves.acceleration_m_s2[:, n] == pytest.approx((force - curves.resistance_N) / mass, rel=1e-4)


def test_battery_limits_electric_force(series):
    """At 25 m/s both machines' electrical power (one at rest) and auxiliaries are what the battery gives (by hand from the maps)."""
    n, speed = node(series, "off:open"), np.array([25.0])
    force = force_curves(series, speed, gives_W=40e3).force_N[0, n]
    w, torque = 25.0 / 0.33 * 9.0, (force * 0.33 + 0.3) / 9.0 / 0.98
    resting, machine = (m.machine for m in series.layout.machines)
    electrical = w * torque + float(machine.loss_at_W(w, torque)) + float(resting.loss_at_W(0.0, 0.0)) + series.layout.vehicle.auxiliary_W
    assert electrical == pytest.approx(40e3, rel=5e-5)     # 0.02 N m at the wheels


def test_continuous_ratings_give_their_share(series):
    """Below base speed the continuous torque of the driving machine is 0.55 of its peak (maps/generate.py)."""
    n, speed = node(series, "off:open"), np.array([3.0])
    short, lasting = (force_curves(series, speed, gives_W=1e9, lasting=lasting).force_N[0, n] for lasting in (False, True))
    assert lasting / short == pytest.approx(0.55, abs=1e-3)


@pytest.mark.parametrize("name", ["three-clutch", "input-split", "series"])
def test_no_random_choice_beats_the_curves(name):
    """A feasible choice of speed, engine torque and wheel torque drawn at random never gives more wheel torque."""
    plant = build_plant(load_layout(name), lanes=1)
    generator = np.random.default_rng(7)
    speeds = np.array([1.0, 7.0, 15.0, 26.0, 38.0])
    curves = force_curves(plant, speeds, gives_W=plant.arrays.battery_gives_W)
    bench, radius = make_bench(plant.arrays), plant.layout.vehicle.wheel_radius_m
    nearest, idle_axles = np.zeros(curves.force_N.shape), np.full(plant.arrays.axle_joint.size, -np.inf)
    for n in np.flatnonzero(np.isfinite(curves.force_N).any(axis=0)):
        for v in np.flatnonzero(np.isfinite(curves.force_N[:, n])):
            for _ in range(150):
                f = generator.uniform(plant.nodes[n].low_rad_s, plant.nodes[n].high_rad_s)
                cut = make_cut(plant.arrays, bench, n, speeds[v] / radius, f, 0.0, plant.layout.vehicle.auxiliary_W, idle_axles)
                if cut.code != 0:
                    continue
                torque = curves.force_N[v, n] * radius * generator.uniform(0.9, 1.1)
                engine = cut.limit[0] * generator.choice([1.0, generator.uniform(0.0, 1.0)])
                if best_division(cut, torque, engine, 9, 12, False) < np.inf:
                    nearest[v, n] = max(nearest[v, n], torque / radius / curves.force_N[v, n])
    assert nearest.max() <= 1.0 + 2e-3
    assert np.median(nearest[nearest > 0.0]) > 0.9


def test_what_drives_during_a_change():
    """The second machine pulls on while the clutches change; the engine pulls on in second while the shifter changes (by hand)."""
    plant = build_plant(load_layout("three-clutch"), lanes=1)
    table = changes(plant)
    ids = [plant.configuration(n).id for n in range(len(plant.nodes))]
    first, second = ids.index("on:K1+K2+S1=first"), ids.index("on:K1+K3+S1=first")
    third = ids.index("on:K1+K3+S1=third")
    assert [ids[n] for n in table.bridges[first, second]] == ["off:S1=first"]
    assert [ids[n] for n in table.bridges[second, third]] == ["off:K3", "on:K1+K3"]
    assert table.duration_s[first, second] == 0.2 and table.duration_s[second, third] == 0.4
    start = table.duration_s[ids.index("off:S1=first"), ids.index("on:K1+S1=first")]
    assert start == pytest.approx(plant.layout.engine.engine.cranking_time_s + 0.2)


def test_battery_lasts_as_long_as_its_energy():
    """A climb on battery and a generator too small for it: stored energy over the power that is missing."""
    plant = build_plant(load_layout("series", overrides=["machines.mg1.rating_kW=45"]), lanes=1)
    soc = plant.layout.battery.soc_target
    alone = force_curves(plant, np.arange(5.0, 45.0, 1.0), gives_W=0.0, lasting=True)
    found = climb(plant, 12.0, 70.0, soc, alone)
    assert 0.0 < found.held_s < 600.0 and found.held_s + found.derated_s == 600.0 and found.then_kmh < 70.0
    assert found.how == "continuous ratings, engine and battery"
    need, speed = needed_N(plant.layout, 70.0 / 3.6, 12.0), np.array([70.0 / 3.6])
    battery = plant.layout.battery
    stored = float(battery.energy_J(soc) - battery.energy_J(battery.soc_low))
    inner = stored / found.held_s                                   # power out of the store; the terminals get V I - R I^2
    half = 0.5 * (soc + battery.soc_low)
    V, R = (float(np.interp(half, battery.soc, x)) for x in (battery.voltage_V, battery.resistance_discharge_ohm))
    terminal = inner - R * (inner / V) ** 2
    assert force_curves(plant, speed, gives_W=terminal, lasting=True).envelope_N[0] == pytest.approx(need, rel=1e-3)
    empty = climb(plant, 12.0, 70.0, battery.soc_low, alone)
    assert empty.held_s < found.held_s and battery_gives_W(plant, battery.soc_low) == 0.0


@pytest.mark.parametrize("name", ["input-split", "three-clutch", "parallel-six", "series-parallel-chargeable"])
def test_more_charge_is_never_slower(name):
    """What the battery may give only adds choices; the way a run begins must not take that back (elementary)."""
    layout = load_layout(name)
    plant, tyres = build_plant(layout, lanes=1), tyres_of(layout)
    speeds = speeds_m_s(plant, [v for pair in SPRINTS_KMH for v in pair])
    table, most_W = changes(plant), battery_gives_W(plant, layout.battery.soc_target)
    curves = [force_curves(plant, speeds, gives_W=gives_W, gathering=True) for gives_W in (700.0, 2e3, 10e3, 14e3, most_W)]
    figures = [[top_speed_kmh(c), start_grade_percent(c, tyres), c.most_power_W] for c in curves]
    for span in SPRINTS_KMH:
        begin = beginnings(curves[-1], span[0])
        seconds = [run(c, table, tyres, span, begin).time_s for c in curves]
        assert all(more <= less + 5e-3 for less, more in pairwise(seconds)), (span, seconds)
        assert seconds[-1] < seconds[0]
    assert all(np.all(np.array(more) >= np.array(less) * (1.0 - 1e-4)) for less, more in pairwise(figures))


@pytest.mark.parametrize("name", ["three-clutch", "parallel-six"])
def test_the_run_told_takes_the_time_told(name):
    """Its steps driven again with the curves, by explicit steps of a millisecond that know nothing of labels."""
    found = capability(load_layout(name))
    curves, steps = found.curves["normal", "short"], found.sprints["normal"].steps
    plant, v, resistance = curves.plant, curves.speed_m_s, curves.resistance_N
    mass = plant.layout.vehicle.mass_kg + plant.layout.vehicle.rotating_mass_kg
    front = found.tyres.most_acceleration_m_s2(plant.layout, resistance, ("front",), {})
    pull = {plant.configuration(n).id: np.minimum(np.nan_to_num(curves.acceleration_m_s2[:, n]), front) for n in range(len(plant.nodes))}
    ids, table, dt, at, clock = list(pull), changes(plant), 1e-3, 0.0, 0.0
    now, helping, until = str(steps[0]["configuration"]), (), 0.0
    pending = list(steps[1:])
    while at < 100.0 / 3.6:
        if pending and clock >= float(pending[0]["at_s"]):
            step = pending.pop(0)
            helping = table.bridges[ids.index(now), ids.index(str(step["configuration"]))]
            now, until = str(step["configuration"]), clock + float(step["change_s"])
        held = max([np.interp(at, v, pull[ids[n]]) for n in helping], default=0.0)
        rolling = -np.interp(at, v, resistance) / mass if at > 0.0 else 0.0
        at += dt * (np.interp(at, v, pull[now]) if clock >= until else held or rolling)
        clock += dt
    assert clock == pytest.approx(found.normal.time_0_100_s, rel=0.01)


# -- what is asked of what is shipped ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", sorted(library.names("layout")))
def test_shipped_layouts_are_as_capable_as_asked(name):
    """0-100 km/h in 8 to 10 s, 30 % to start on, 160 km/h, 5 % at 110 km/h for ten minutes with a low charge (the scenario's)."""
    found = capability(load_layout(name))
    assert found.normal.start_grade_percent >= 30.0
    assert found.normal.top_speed_kmh >= 160.0 and found.low.lasting_top_speed_kmh >= 160.0
    assert found.normal.time_0_50_s < found.normal.time_0_100_s
    assert found.normal.full_power_s > found.normal.time_0_100_s
    least, most = SECONDS.get(name, (8.0, 10.0))
    assert least <= found.normal.time_0_100_s <= most
    climbs = {c.grade_percent: c for c in found.low.climbs}
    assert climbs[5.0].speed_kmh == 110.0 and climbs[5.0].derated_s == 0.0
    assert found.low.start_grade_percent >= 30.0 and found.low.time_0_100_s > found.normal.time_0_100_s
    starts = [s for s in found.sprints["normal"].steps if str(s["configuration"]).startswith("on:")]
    assert starts and (name == "plain-car" or starts[0]["change_s"] >= 0.3)     # the plain car stands with its engine running


def test_combined_power_is_no_sum_of_ratings():
    """Wheel power stays below what engine and battery give together, and far below the sum of the ratings."""
    layout = load_layout("input-split")
    found = capability(layout)
    together = layout.engine.engine.rated_power_W + layout.battery.discharge_limit_W
    ratings = layout.engine.engine.rated_power_W + sum(m.machine.rated_power_W for m in layout.machines)
    assert found.normal.most_power_kW < together / 1e3 < ratings / 1e3
    assert found.low.most_power_kW < layout.engine.engine.rated_power_W / 1e3
