"""Seconds of the plain car and of small layouts by hand: launch, fuel cut, drags, limits of clutches, pinions, axles and machines.

Every figure is derived: a literal of the layouts and component files, or arithmetic on such. Maps are read by numpy.
Plain car: final 3.9 at 0.98, first 3.6, third 1.5 at 0.97, belt 2.6 at 0.97; inertias crank 0.006 + engine 0.13, belt 0.003,
out 0.008, diff 0.05 kg m2.
"""

from __future__ import annotations

import functools
import math
import tomllib
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from ems.kernels.plant import (
    AXLE,
    BATTERY_TAKES,
    ENGINE_SLOW,
    LOAD,
    MACHINE_DRIVES,
    MACHINE_TORQUE,
    OK,
    SPEED,
    STRIDE,
    fuel_rate,
    load_of,
    make_bench,
    make_cut,
    terminal_power,
)
from ems.layout.load import layout_from, load_layout
from ems.plant.plant import Plant, build_plant
from ems.tables.build import axle_least_Nm, twins

RPM = 30 / math.pi
SAME = 1e-9

HEAD = """
name = "by hand"
vehicle = "hill-taxi"
battery = "hybrid-1k5"
axles.front.shaft = "diff"
engine = { shaft = "crank", map = "dedicated-1500" }
"""


@functools.cache
def shipped(name: str, *overrides: str) -> Plant:
    """A shipped layout without hold power, pump and drag but those asked for, the plain car's gears at 0.97."""
    layout = load_layout(name)
    bare = [f"{section}.{e.name}.{what}=0" for section, elements in (("clutches", layout.clutches), ("brakes", layout.brakes))
            for e in elements for what in ("hold_W", "drag_Nm")]
    bare += [f"shifters.{s.name}.hold_W=0" for s in layout.shifters] + [f"shafts.{s}.drag_Nm=0" for s in layout.shaft_properties]
    bare += ["pump.engine_stopped_W=0", "pump.engine_running_W=0"]
    gears = [f"gears.{g.name}.efficiency=0.97" for g in layout.gears if name == "plain-car" and g.name not in ("final", "belt")]
    return build_plant(load_layout(name, overrides=(*bare, *gears, *overrides)), lanes=1)


@functools.cache
def made(text: str) -> Plant:
    return build_plant(layout_from(tomllib.loads(HEAD + text, parse_float=Decimal), name="hand", where="hand.toml"), lanes=1)


def judged(plant: Plant, word: str, inputs, *, wheel=0.0, free=0.0, alpha=0.0, auxiliary=0.0, axle_least=None):
    """(cut, terminal power, limit broken, number of what broke it) of one choice."""
    t = next(n for n in range(len(plant.nodes)) if plant.configuration(n).id == word)
    least = np.full(plant.arrays.axle_joint.size, -np.inf) if axle_least is None else axle_least
    cut = make_cut(plant.arrays, make_bench(plant.arrays), t, wheel, free, alpha, auxiliary, least)
    cut.x[: len(inputs)] = inputs
    if cut.mode == 3:
        cut.x[1] = cut.engine_torque
    if cut.code != OK:
        return cut, math.inf, cut.code // STRIDE, cut.code % STRIDE
    P, code = terminal_power(cut)
    return cut, P, code // STRIDE, code % STRIDE


def map_loss(machine, speed: float, torque: float) -> float:
    along = [np.interp(torque if speed >= 0 else -torque, machine.torque_Nm, row) for row in machine.loss_W]
    return float(np.interp(abs(speed), machine.speed_rad_s, along))


def map_fuel(engine, speed: float, torque: float) -> float:
    along = [np.interp(torque, engine.torque_Nm, row) for row in engine.fuel_g_s]
    return float(np.interp(speed, engine.speed_rad_s, along))


# ------------------------------------------------------------------------------------------------- the plain car


def launch_torque(wheel_Nm: float, alpha: float) -> float:
    """Torque of the launch clutch in first: what wheels and shafts behind it need."""
    out = (wheel_Nm + 0.05 * alpha) / (3.9 * 0.98) + 0.008 * 3.9 * alpha
    return out / (3.6 * 0.97)


def test_a_launch_second():
    """Wheels at 5 rad/s, engine at 1800 rpm; 2 N m of the alternator, 260 N m on the wheels and a wheel acceleration of 2 rad/s2."""
    plant, speed = shipped("plain-car"), 1800 / RPM
    clutch = launch_torque(260.0, 2.0)
    engine_Nm = clutch + 2.0 * 2.6 / 0.97
    cut, P, code, _ = judged(plant, "on:K1~+S1=first", [260.0, engine_Nm], wheel=5.0, free=speed, alpha=2.0, auxiliary=350.0)
    assert code == OK
    assert cut.out[1] == pytest.approx(-2.0, rel=1e-9)
    joint = int(plant.arrays.slip_joint[cut_node(plant, "on:K1~+S1=first")])
    slip = speed - 3.9 * 3.6 * 5.0
    wheel, free, factor = plant.arrays.slip[cut_node(plant, "on:K1~+S1=first")]
    assert factor * load_of(cut, joint) == pytest.approx(clutch, rel=SAME)
    assert wheel * 5.0 + free * speed == pytest.approx(slip, rel=SAME)
    machine = plant.layout.machines[0].machine
    # the alternator's 2.6 x 1800 rpm; nothing of the engine's acceleration is counted at a free speed
    assert pytest.approx(350.0 + machine.standby_W - 2.0 * 2.6 * speed + map_loss(machine, 2.6 * speed, -2.0), rel=SAME) == P
    assert fuel_rate(cut) == pytest.approx(map_fuel(plant.layout.engine.engine, speed, engine_Nm), rel=SAME)
    # first law: engine power is belt, wheels, rotors, meshes and the heat, torque times slip
    meshes = 0.03 * 2.0 * 2.6 * speed / 0.97 + 0.03 * clutch * 14.04 * 5.0 + 0.02 * (260 + 0.05 * 2) / 0.98 * 5.0
    rotors = (0.05 + 0.008 * 3.9**2) * 2.0 * 5.0
    assert engine_Nm * speed == pytest.approx(2.0 * 2.6 * speed + 260.0 * 5.0 + rotors + meshes + clutch * slip, rel=SAME)


def cut_node(plant: Plant, word: str) -> int:
    return next(n for n in range(len(plant.nodes)) if plant.configuration(n).id == word)


def test_capacity_of_the_launch_clutch_is_the_limit():
    """60 N m: just below it passes, just above it does not; nor does a clutch that would have to push the engine."""
    plant = shipped("plain-car", "clutches.K1.capacity_Nm=60")
    for share, expected in ((0.999, OK), (1.001, LOAD)):
        wheel_Nm = share * 60.0 * 3.6 * 0.97 * 3.9 * 0.98
        inputs = [wheel_Nm, launch_torque(wheel_Nm, 0.0) + 2.0 * 2.6 / 0.97]
        assert judged(plant, "on:K1~+S1=first", inputs, wheel=5.0, free=1800 / RPM)[2] == expected
    # wheels that push, the alternator taking what the clutch gives
    assert judged(plant, "on:K1~+S1=first", [-20.0, 1.0], wheel=5.0, free=1800 / RPM)[2] == LOAD
    # closed: the capacity holds both ways
    assert judged(plant, "on:K1+S1=third", [-480.0, 0.0], wheel=30.0)[2] == LOAD


def test_a_launch_ends_where_the_speeds_meet():
    """No slip below zero: engine slower than its side of the clutch."""
    plant = shipped("plain-car")
    assert judged(plant, "on:K1~+S1=first", [100.0, 30.0], wheel=10.0, free=139.0)[2] == SPEED
    assert judged(plant, "on:K1~+S1=first", [100.0, 30.0], wheel=5.0, free=100.0)[2] == ENGINE_SLOW


def test_a_fuel_cut_second():
    """Third, wheels at 30 rad/s, slowing at 2 rad/s2: the engine takes its motoring torque, the alternator 1 N m, no fuel."""
    plant, alpha = shipped("plain-car"), -2.0
    engine, speed = plant.layout.engine.engine, 5.85 * 30.0
    drag = float(np.interp(speed, engine.motoring_speed_rad_s, engine.motoring_Nm))
    assert 20.0 < drag < 21.1                                        # the file's rows at 1500 and 2000 rpm
    belt = (1.0 + 0.003 * 2.6 * 5.85 * alpha) * 2.6 / 0.97           # the crank drives it; its rotor gives some of it
    crank = drag + belt + (0.13 + 0.006) * 5.85 * alpha
    out = crank * 1.5 / 0.97 + 0.008 * 3.9 * alpha
    wheel_Nm = -(out * 3.9 / 0.98 + 0.05 * alpha)
    cut, P, code, _ = judged(plant, "cut:K1+S1=third", [wheel_Nm], wheel=30.0, alpha=alpha, auxiliary=350.0)
    assert code == OK
    assert cut.out[0] == pytest.approx(-drag, rel=SAME)
    assert cut.out[1] == pytest.approx(-1.0, rel=1e-7)
    assert cut.out[2] == pytest.approx(wheel_Nm, rel=SAME) and wheel_Nm < -100.0
    assert fuel_rate(cut) == 0.0
    machine = plant.layout.machines[0].machine
    expected = 350.0 + machine.standby_W - 2.6 * speed + map_loss(machine, 2.6 * speed, -1.0)
    assert pytest.approx(expected, rel=1e-7) == P


def test_an_alternator_does_not_drive():
    """Engine 30 N m in third: what the wheels ask for beyond it would have to come from the alternator."""
    plant = shipped("plain-car")
    enough = 30.0 * 1.5 * 0.97 * 3.9 * 0.98
    assert judged(plant, "on:K1+S1=third", [0.99 * enough, 30.0], wheel=30.0)[2] == OK
    assert judged(plant, "on:K1+S1=third", [1.01 * enough, 30.0], wheel=30.0)[2] == MACHINE_DRIVES


# ------------------------------------------------------------------------------------------------- drags and limits

DRAGGING = """
machines.mg1 = { shaft = "rotor", map = "machine-120" }
gears.final = { from = "rotor", to = "diff", ratio = 9, efficiency = 1 }
clutches.K1 = { joins = ["crank", "rotor"], drag_Nm = 1.5 }
brakes.B1 = { holds = "rotor", drag_Nm = 0.5 }
shafts.diff = { drag_Nm = 4, drag_Nms_rad = 0.1 }
"""


@pytest.mark.parametrize(("wheel_Nm", "word"), [(200.0, "off:open"), (-200.0, "off:open"), (200.0, "on:open")])
def test_drags_by_hand(wheel_Nm, word):
    """At 20 rad/s the diff drags 4 + 0.1 x 20 N m, brake and clutch 0.5 and 1.5 N m on the rotor at nine times its speed, whatever
    the direction of power. The idling engine at 104.7 rad/s is slower than the rotor at 180, so its clutch still drags it back."""
    plant = made(DRAGGING)
    cut, _, code, _ = judged(plant, word, [wheel_Nm], wheel=20.0, free=1000 / RPM)
    assert code == OK
    assert cut.out[1] == pytest.approx((wheel_Nm + 4 + 0.1 * 20) / 9 + 0.5 + 1.5, rel=1e-12)


def test_the_drag_of_a_clutch_turns_round_with_its_slip():
    """Rotor at 90 rad/s, idling engine at 104.7: the clutch pulls the rotor on."""
    cut, _, code, _ = judged(made(DRAGGING), "on:open", [200.0], wheel=10.0, free=1000 / RPM)
    assert code == OK
    assert cut.out[1] == pytest.approx((200.0 + 4 + 0.1 * 10) / 9 + 0.5 - 1.5, rel=1e-12)


TWO_SPEED = """
machines.mg1 = { shaft = "crank", map = "machine-75" }
gears.first = { from = "crank", to = "wheel-1", ratio = 10 }
gears.second = { from = "crank", to = "wheel-2", ratio = 5 }
one_way.F1 = { from = "wheel-1", to = "diff" }
clutches.K2 = { joins = ["wheel-2", "diff"] }
"""


def test_a_one_way_clutch_holds_one_direction():
    """Locked it pushes the wheels and never takes from them; free it overruns and is never overtaken."""
    plant = made(TWO_SPEED)
    for wheel_Nm, expected in ((300.0, OK), (0.0, OK), (-10.0, LOAD)):
        assert judged(plant, "on:F1", [wheel_Nm, 20.0], wheel=20.0)[2] == expected
    # in second at 30 rad/s wheel-1 turns at 15: slower than the wheels; braking is allowed
    assert judged(plant, "on:K2", [-100.0, 20.0], wheel=30.0)[2] == OK
    # free of both, the engine at ten times the wheels would lock it
    for over, expected in ((0.99, OK), (1.01, SPEED)):
        assert judged(plant, "on:open", [0.0, 20.0], wheel=20.0, free=over * 200.0)[2] == expected


def test_pinions_have_a_limit():
    """Two-mode's first set, sun 30 and ring 78: pinions turn 2.6 x 30/24 = 3.25 of carrier minus ring; engine 300 rad/s, ring 3.3 w."""
    name = "planetary_sets.first.max_pinion_rpm=6000"
    plant, most = shipped("two-mode", name), 6000 / RPM
    ring = 300.0 - most / 3.25                                     # the slowest ring
    for wheel, expected in ((1.01 * ring / 3.3, OK), (0.99 * ring / 3.3, SPEED)):
        assert judged(plant, "on:B1", [0.0, 50.0], wheel=wheel, free=300.0)[2] in ({OK, MACHINE_TORQUE} if expected == OK else {SPEED})


def test_cranking_reserve_lowers_the_electric_limit():
    """45 N m at the starting machine's shaft are kept while the engine stands, in both directions; not while it turns."""
    plant = shipped("three-clutch")
    machine, wheel = plant.layout.machines[0].machine, 20.0
    peak = float(np.interp(5.6 * wheel, machine.limit_speed_rad_s, machine.peak_Nm))
    ratio = 5.6 * 0.985**2
    for word, most in (("off:K3", peak - 45.0), ("on:K3", peak)):
        for share, expected in ((0.999, OK), (1.001, MACHINE_TORQUE)):
            assert judged(plant, word, [share * most * ratio], wheel=wheel, free=1000 / RPM)[2] == expected, word
    assert judged(plant, "off:K3", [-1.001 * (peak - 45.0) * 5.6 / 0.985**2], wheel=wheel)[2] == MACHINE_TORQUE


def test_cranking_reserve_at_a_lever():
    """Two-mode: wheels at rest the sun turns 3.6 times for each turn of the engine, so 45 / 3.6 N m are kept."""
    plant = shipped("two-mode")
    assert plant.arrays.reserve[cut_node(plant, "off:C1")].tolist() == pytest.approx([12.5, 0.0])
    assert plant.arrays.reserve[cut_node(plant, "on:C1")].tolist() == [0.0, 0.0]


def test_an_idling_engine_needs_no_reserve_in_the_tables():
    """Tables of an idling engine are those of the standing one only where the same torque may be used: K3 alone has mg1 drive."""
    plant = shipped("three-clutch")
    twin = twins(plant)
    assert twin[cut_node(plant, "on:K3")] == cut_node(plant, "on:K3")
    assert twin[cut_node(plant, "on:S1=third")] == cut_node(plant, "off:S1=third")


def test_standby_power():
    """Everything at rest: auxiliaries, hold power, the pump and what the machines draw standing by."""
    plain = shipped("three-clutch")
    _, P, code, _ = judged(plain, "off:open", [0.0], auxiliary=350.0)
    assert code == OK
    rest = sum(map_loss(use.machine, 0.0, 0.0) + use.machine.standby_W for use in plain.layout.machines)
    assert pytest.approx(350.0 + rest, rel=SAME) == P
    more = shipped("three-clutch", "pump.engine_stopped_W=80", "clutches.K3.hold_W=25")
    uses = tuple(replace(use, machine=replace(use.machine, standby_W=33.0)) for use in more.layout.machines)
    waiting = build_plant(replace(more.layout, machines=uses), lanes=1)
    _, with_all, _, _ = judged(waiting, "off:K3", [0.0], auxiliary=350.0)
    before = sum(use.machine.standby_W for use in plain.layout.machines)
    assert with_all == pytest.approx(P + 80.0 + 25.0 + 2 * 33.0 - before, rel=SAME)


def test_battery_limits_are_of_the_terminals():
    """Whatever the machines could do: what the battery cannot take is left to the brakes."""
    plant = shipped("three-clutch", "battery.charge_limit_kW=5", "battery.charge_continuous_kW=5")
    assert judged(plant, "off:S1=third", [-200.0], wheel=20.0)[2] == OK             # 4 kW
    assert judged(plant, "off:S1=third", [-400.0], wheel=20.0)[2] == BATTERY_TAKES


# ------------------------------------------------------------------------------------------------- axles


BRAKING = ("vehicle.axles.front.regeneration_share=0.6", "vehicle.axles.front.regeneration_m_s2=1.5",
           "vehicle.regeneration.fade_from_kmh=12", "vehicle.regeneration.fade_to_kmh=4")


@pytest.mark.parametrize(("kmh", "wheel_Nm", "expected"), [
    (50.0, -800.0, 480.0),                          # 60 % of the demand
    (50.0, -3000.0, 1900 * 1.5 * 0.33),             # the deceleration
    (8.0, -800.0, 240.0),                           # half way between 12 and 4 km/h
    (4.0, -800.0, 0.005 * 1900 * 9.80665 * 0.33),   # faded out: what drags may always give
    (50.0, 100.0, 1900 * 1.5 * 0.33),               # no braking: no share of it
])
def test_what_an_axle_may_recover(kmh, wheel_Nm, expected):
    plant = shipped("series", *BRAKING)
    least = axle_least_Nm(plant, np.array([kmh / 3.6 / 0.33]), np.array([wheel_Nm]))
    assert least[0, 0] == pytest.approx(-expected, rel=1e-9)


def test_the_axle_limit_is_kept_by_the_plant():
    """480 N m are the most that may be taken of 800: the rest is for the friction brakes."""
    plant = shipped("series", *BRAKING)
    least = np.array([-480.0])
    for torque, expected in ((-479.0, OK), (-481.0, AXLE)):
        assert judged(plant, "off:open", [torque], wheel=40.0, axle_least=least)[2] == expected
