"""Torques of configurations: ratios by hand, losses of meshes by hand, and that no power is made or lost anywhere."""

from __future__ import annotations

import copy
import functools
import tomllib
from decimal import Decimal

import numpy as np
import pytest

from ems.kernels.box import best_division
from ems.kernels.plant import load_of, make_bench, make_cut, set_torques
from ems.layout.based_on import read_layout
from ems.layout.load import layout_from
from ems.library import find
from ems.plant.plant import Plant, build_plant
from ems.plant.torque_maps import told_joints

E = 0.985       # efficiency of every gear pair of the shipped layouts but one
SHIPPED = ["three-clutch", "input-split", "series", "two-mode", "series-parallel", "parallel-six", "three-clutch-rear", "plain-car"]

SET = """
name = "a planetary set"
vehicle = "hill-taxi"
battery = "hybrid-1k5"
axles.front.shaft = "out"
engine = { shaft = "crank", map = "dedicated-1500" }
machines.mg1 = { shaft = "sun", map = "machine-75" }
clutches.K1 = { joins = ["crank", "sun"] }
"""


WILLIS = "Willis' equation of planetary sets (derived)"


@functools.cache
def plant(name: str, lossless: bool = False) -> Plant:
    """A shipped layout without drags, whose hand calculation is in test_hand_elements."""
    data = copy.deepcopy(read_layout(find("layout", name, where="test"), name).data)
    for section in ("shafts", "clutches", "brakes"):
        for table in data.get(section, {}).values():
            table.pop("drag_Nm", None)
    if lossless:
        for table in (*data["gears"].values(), *data.get("planetary_sets", {}).values()):
            table["efficiency"] = 1
    return build_plant(layout_from(data, name=name, where=name), lanes=1)


def plant_of(text: str) -> Plant:
    return build_plant(layout_from(tomllib.loads(SET + text, parse_float=Decimal), name="set", where="set.toml"), lanes=1)


def free_axles(p: Plant) -> np.ndarray:
    """Least torques of the axles whose braking is limited: any."""
    return np.full(p.arrays.axle_joint.size, -np.inf)


class Choice:
    """One evaluation of the plant: every torque for given wheel torque, engine torque and inner torques."""

    def __init__(self, p: Plant, word: str, inputs, *, wheel_rad_s=20.0, free_rad_s=250.0, acceleration=0.0):
        self.plant = p
        self.t = next(t for t in range(len(p.nodes)) if p.configuration(t).id == word)
        self.cut = make_cut(p.arrays, make_bench(p.arrays), self.t, wheel_rad_s, free_rad_s, acceleration, 0.0, free_axles(p))
        self.cut.x[:len(inputs)] = inputs
        self.settled = set_torques(self.cut)
        names = p.configuration(self.t).sources
        self.torque = dict(zip((*names, "wheel"), self.cut.out, strict=False))
        self.wheel_rad_s, self.free_rad_s, self.acceleration = wheel_rad_s, free_rad_s, acceleration

    @property
    def mesh_losses_W(self) -> dict[str, float]:
        """Loss of each mesh from its load, its rolling speed and its efficiency."""
        loads = self.cut.out[len(self.cut.speed) + 1:]
        return {j.name: abs(load * speed) * (1.0 - j.efficiency)
                for j, load, speed in zip(told_joints(self.plant.layout), loads, self.cut.mesh_speed, strict=True)}

    @property
    def unbalanced_W(self) -> float:
        """Power of the sources less that of wheels, meshes, slipping clutches, drags and rotors, each from its own figures."""
        a, layout, c = self.acceleration, self.plant.layout, self.plant.configuration(self.t)
        inertia = {layout.engine.shaft: layout.engine.engine.inertia_kgm2}
        for use in layout.machines:
            inertia[use.shaft] = inertia.get(use.shaft, 0.0) + use.machine.inertia_kgm2
        for shaft, own in layout.shaft_properties.items():
            inertia[shaft] = inertia.get(shaft, 0.0) + own.inertia_kgm2
        rotors = sum(inertia.get(shaft, 0.0) * float(w) * a * (float(w) * self.wheel_rad_s + float(f) * self.free_rad_s)
                     for shaft, (w, f) in zip((*layout.shafts, "wheels"), c.shaft_map, strict=True))
        sources = float(self.cut.out[:len(self.cut.speed)] @ self.cut.speed)
        joints = [j.name for j in told_joints(self.plant.layout)]
        slips = sum(float(slip.factor) * load_of(self.cut, joints.index(slip.clutch))
                    * (float(slip.wheel) * self.wheel_rad_s + float(slip.free) * self.free_rad_s) for slip in c.slips)
        drags = sum((d.constant_Nm + d.viscous_Nms_rad * abs(w)) * abs(w) for d in c.drags
                    for w in [float(d.wheel) * self.wheel_rad_s + float(d.free) * self.free_rad_s])
        return sources - self.torque["wheel"] * self.wheel_rad_s - sum(self.mesh_losses_W.values()) - rotors - slips - drags


# -------------------------------------------------------------------------------------------------- planetary sets


def test_willis_ring_held(outside_check):
    """Willis, S w_s + R w_r = (S + R) w_c; ring held, S 20, R 80: sun to carrier 5, torque 5 (derived)."""
    p = plant_of("""
        planetary_sets.p = { sun = "sun", ring = "ring", carrier = "out", ratio = 4, efficiency = 1 }
        brakes.B = { holds = "ring" }
    """)
    c = p.derivation.find("off:B")
    assert c.speed_map == ((0, 0), (5, 0)) and c.balances == ((0, 1, -5),)
    outside_check(float(c.speed_map[1][0]), source=WILLIS, quantity="sun over carrier, ring of 80 teeth held, sun of 20", value=5.0,
                  unit="-", tolerance=1e-12)
    outside_check(Choice(p, "off:B", [100.0]).torque["mg1"], source=WILLIS, value=20.0, unit="N m", tolerance=1e-10,
                  quantity="torque on the sun for 100 N m at the carrier of the same")


def test_published_input_split_set(outside_check):
    """S 30, R 78, a widely published production set: sun at rest, ring 18/13 of the carrier (derived).

    Torque splits 13/18 to the ring, 5/18 to the sun. Lossless torques S : R : -(S + R) on sun, ring and carrier.
    """
    p = plant("input-split", lossless=True)
    # the wheels at rest give the sun's speed per engine turn, 1 + rho = 18/5; with the sun at rest ring/carrier = 18/13
    (_, (sun_wheel, sun_free), _) = p.derivation.find("on:open").speed_map
    ring_per_wheel = p.layout.gears[1].ratio
    outside_check(float((-sun_free / sun_wheel) * ring_per_wheel), source=WILLIS, value=18 / 13, unit="-", tolerance=1e-12,
                  quantity="ring over carrier, sun at rest, production input split of 30 and 78 teeth")
    drawn = Choice(p, "on:open", [13 / 18 * 90.0 * 3.3, 90.0]).torque      # all of the ring's torque at the wheels
    outside_check(-drawn["mg1"] / 90.0, source=WILLIS, quantity="share of the carrier's torque on the sun of that set", value=5 / 18,
                  unit="-", tolerance=1e-12)
    assert drawn["mg2"] == pytest.approx(0.0, abs=1e-9)


def test_planetary_set_loses_on_rolling_power():
    """Carrier 90 N m at 250 rad/s, ring at 66, sun at 728.4: rolls at 478.4 rad/s; efficiency 0.98, sun driven.

    Torques on the shafts add up to nothing (a + b = 90, ring 2.6 of the sun but for the loss), and what is lost is 2 %
    of the rolling power that enters at the ring.
    """
    c = Choice(plant("input-split"), "on:open", [0.0, 90.0])
    sun_torque = -c.torque["mg1"]       # the set's on the sun's shaft
    assert c.cut.speed[1] == pytest.approx(3.6 * 250 - 2.6 * 66, rel=1e-12)
    # ring gives rho T_s / 0.98 for T_s on the sun: T_s + 2.6 T_s / 0.98 = 90
    assert sun_torque == pytest.approx(90.0 / (1 + 2.6 / 0.98), rel=1e-12)
    entering = 2.6 / 0.98 * sun_torque * (250 - 66)
    assert c.mesh_losses_W["split"] == pytest.approx(0.02 * entering, rel=1e-12)


def test_a_locked_set_loses_nothing():
    """Sun, ring and carrier turn as one: no tooth rolls."""
    p = plant_of("""
        planetary_sets.p = { sun = "sun", ring = "ring", carrier = "out", ratio = 4, efficiency = 0.9 }
        clutches.L = { joins = ["ring", "out"] }
    """)
    c = Choice(p, "off:L", [100.0])
    assert c.torque["mg1"] == pytest.approx(100.0, rel=1e-12)
    assert c.mesh_losses_W["p"] == 0.0


# ----------------------------------------------------------------------------------------------- three-clutch by hand


@pytest.mark.parametrize(("word", "inputs", "expected"), [
    ("off:S1=third", [312.0], {"mg2": 40.0}),                                   # 312 / 7.8
    ("off:S1=first", [299.0], {"mg2": 10.0}),                                   # 299 / 29.9
    ("off:K3", [560.0], {"mg1": 100.0}),
    ("off:K2+S1=third", [300.0, 0.0, 48.0], {"mg2": 20.0}),                     # (300 - 3 * 48) / 7.8
    ("off:K2+K3", [560.0, 0.0, 48.0], {"mg2": 20.0}),                           # (560 - 5.6 * 48) / 14.56
    ("on:K1+S1=third", [312.0, 90.0], {"mg1": -90.0, "mg2": 40.0}),             # series: the generator holds the engine
    ("on:K1", [0.0, 90.0], {"mg1": -90.0, "wheel": 0.0}),
    ("on:K1+K2", [0.0, 90.0, -38.0], {"mg2": -20.0}),                           # (90 - 38) / 2.6
    ("on:K1+K3", [560.0, 120.0], {"mg1": -20.0}),                               # engine in second, charging
    ("on:K1+K2+S1=first", [1150.0, 90.0, -16.0], {"mg2": (1150 - 11.5 * 74) / 29.9}),
    ("on:K1+K3+S1=third", [560.0, 90.0, -16.0], {"mg2": (560 - 5.6 * 74) / 7.8}),
    ("on:K1+K3+S1=first", [560.0, 90.0, -16.0], {"mg2": (560 - 5.6 * 74) / 29.9}),
])
def test_lossless_torques_by_hand(word, inputs, expected):
    c = Choice(plant("three-clutch", lossless=True), word, inputs)
    assert c.settled
    for name, torque in expected.items():
        assert c.torque[name] == pytest.approx(torque, rel=1e-12, abs=1e-9)


@pytest.mark.parametrize(("word", "inputs", "expected"), [
    # electric in third: the second machine's own mesh and the final drive
    ("off:S1=third", [312.0], {"mg2": 312 / (7.8 * E**2)}),
    ("off:S1=third", [-312.0], {"mg2": -312 * E**2 / 7.8}),
    # electric in first: own mesh, third's pair backwards, first's, final drive
    ("off:S1=first", [299.0], {"mg2": 299 / (29.9 * E**4)}),
    ("off:S1=first", [-299.0], {"mg2": -299 * E**4 / 29.9}),
    ("off:K3", [560.0], {"mg1": 560 / (5.6 * E**2)}),
    # engine in second, the second machine charging through third's wheel: its mesh is driven from the output
    ("on:K1+K3+S1=third", [560.0, 150.0, 0.0], {"mg2": (560 / (4 * E) - 1.4 * E * 150) * E / 1.95}),
    # engine in second, the second machine helping
    ("on:K1+K3+S1=third", [560.0, 60.0, 0.0], {"mg2": (560 / (4 * E) - 1.4 * E * 60) / (1.95 * E)}),
    # engine in first, the second machine helping by way of the odd shaft
    ("on:K1+K2+S1=first", [1150.0, 60.0, 10.0], {"mg2": (1150 / (11.5 * E**2) - 70) / (2.6 * E**2)}),
    # on one shaft, no mesh between engine and generator
    ("on:K1+S1=third", [312.0, 90.0], {"mg1": -90.0, "mg2": 312 / (7.8 * E**2)}),
    # the engine drives the second machine as a generator at standstill: third's pair, then its own mesh
    ("on:K1+K2", [0.0, 90.0, -38.0], {"mg2": -52 * E**2 / 2.6}),
])
def test_mesh_losses_by_hand(word, inputs, expected):
    c = Choice(plant("three-clutch"), word, inputs)
    assert c.settled
    for name, torque in expected.items():
        assert c.torque[name] == pytest.approx(torque, rel=1e-12)


def test_series_meshes_by_hand():
    """Step-up 0.985 into the generator at twice the engine's speed; single ratio 9 at 0.98."""
    c = Choice(plant("series"), "on:open", [270.0, 100.0])
    assert c.torque["mg1"] == pytest.approx(-100 * 0.5 * 0.985, rel=1e-12)
    assert c.torque["mg2"] == pytest.approx(270 / (9 * 0.98), rel=1e-12)


# ------------------------------------------------------------------------------------------------------ power balance


@pytest.mark.parametrize("name", SHIPPED)
def test_no_power_is_made_or_lost(name):
    """Sources = wheels + meshes + rotors by direct substitution, whatever the directions of flow."""
    p, random = plant(name), np.random.default_rng(7)
    for t in range(len(p.nodes)):
        c, seen = p.configuration(t), set()
        for _ in range(150):
            inputs = random.uniform(-250, 250, 2 + p.arrays.inner_source.shape[1])
            choice = Choice(p, c.id, inputs, wheel_rad_s=random.uniform(0, 110), free_rad_s=random.uniform(80, 520),
                            acceleration=random.uniform(-9, 9))
            assert choice.settled
            scale = 1.0 + float(np.abs(choice.cut.out[:len(c.sources)] * choice.cut.speed).sum())
            assert abs(choice.unbalanced_W) <= 1e-9 * scale, c.id
            seen.add(int(choice.cut.pattern[0]))
        assert len(seen) > 1 or not c.active, f"{c.id}: one pattern of directions only"


def test_the_balance_sees_one_percent_of_one_mesh_loss():
    """The balance above is no tautology: one percent more of one mesh's loss shows."""
    c = Choice(plant("three-clutch"), "off:S1=third", [300.0])
    assert abs(c.unbalanced_W) < 1e-9 * 6000
    final = [j.name for j in told_joints(c.plant.layout)].index("final")
    c.cut.out[len(c.cut.speed) + 1 + final] *= 1.01
    assert abs(c.unbalanced_W) == pytest.approx(0.01 * c.mesh_losses_W["final"] / 1.01, rel=1e-6)


def test_a_dragged_machine_brings_its_own_rotor_to_speed():
    """Engine at rest on the carrier, without torque: only the machine on the sun itself accelerates its rotor."""
    p = plant("input-split")
    steady, accelerated = (Choice(p, "off:open", [200.0], acceleration=a) for a in (0.0, 5.0))
    assert steady.torque["mg1"] == 0.0 and steady.torque["engine"] == accelerated.torque["engine"] == 0.0
    inertia = p.layout.machines[0].machine.inertia_kgm2
    assert accelerated.torque["mg1"] == pytest.approx(-8.58 * 5.0 * inertia, rel=1e-9)


def test_loads_do_not_survive_from_one_cut_to_the_next():
    """One bench serves many tables; a mesh that carries nothing in the second must not show the first one's load."""
    p = plant("three-clutch")
    bench = make_bench(p.arrays)
    by_id = {p.configuration(t).id: t for t in range(len(p.nodes))}
    for word in ("on:K1+K2+S1=first", "on:K1"):
        cut = make_cut(p.arrays, bench, by_id[word], 20.0, 250.0, 0.0, 0.0, free_axles(p))
        cut.x[:2] = 500.0, 100.0
        assert set_torques(cut)
    assert not cut.out[len(cut.speed) + 1:].any()


# ------------------------------------------------------------------------------------------------------- equal machines


@pytest.mark.parametrize("wheel_torque", [800.0, 300.0, -600.0])
@pytest.mark.parametrize("wheel_rad_s", [20.0, 60.0])
def test_equal_machines_share_equally(wheel_torque, wheel_rad_s):
    """Two equal machines on equal ratios with convex losses: half each is never beaten (derived; common practice)."""
    p = plant_of("""
        machines.mg2 = { shaft = "second", map = "machine-75" }
        gears.a = { from = "sun", to = "out", ratio = 9, efficiency = 0.98 }
        gears.b = { from = "second", to = "out", ratio = 9, efficiency = 0.98 }
    """)
    t = next(t for t in range(len(p.nodes)) if p.configuration(t).id == "off:open")
    cut = make_cut(p.arrays, make_bench(p.arrays), t, wheel_rad_s, 0.0, 0.0, 0.0, free_axles(p))
    eta = 0.98 if wheel_torque > 0 else 1 / 0.98
    half = wheel_torque / (2 * 9 * eta)
    best = best_division(cut, wheel_torque, 0.0, 33, 40, False)
    first, second = cut.out[1], cut.out[2]
    m = p.layout.machines[0].machine
    loss = np.array([np.interp(wheel_rad_s * 9, m.speed_rad_s, column) for column in m.loss_W.T])
    equal = wheel_torque * wheel_rad_s / eta + 2 * float(np.interp(half, m.torque_Nm, loss))
    assert best == pytest.approx(equal, rel=1e-9)
    assert first + second == pytest.approx(2 * half, rel=1e-9)
    assert abs(first - second) <= 2 * float(np.diff(m.torque_Nm).max())     # a flat stretch of the map at most
