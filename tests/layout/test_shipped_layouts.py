"""The shipped layouts say what their description says: totals to the wheels by hand, exact ratios, one vehicle."""

from __future__ import annotations

import math
from fractions import Fraction
from itertools import pairwise

import pytest

from ems.layout.load import load_layout
from ems.library import names


def ratios(word: str) -> dict[str, Fraction]:
    return {g.name: g.ratio for g in load_layout(word).gears}


def test_three_clutch_totals_to_the_wheels():
    g = ratios("three-clutch")
    assert g["first"] * g["final"] == Fraction(23, 2)      # 11.5
    assert g["second"] * g["final"] == Fraction(28, 5)     # 5.6
    assert g["third"] * g["final"] == 3
    assert g["second-machine"] * g["final"] == Fraction(39, 5)   # 7.8, in third
    # in first: rotor-2 -> wheel-3 -> back through the third pair -> odd -> first pair: 1.95 / 0.75 * 2.875 * 4
    assert g["second-machine"] / g["third"] * g["first"] * g["final"] == Fraction(299, 10)


def test_three_clutch_actuators():
    layout = load_layout("Three-Clutch")
    assert [(c.name, c.first, c.second) for c in layout.clutches] == [
        ("K1", "crank", "rotor-1"), ("K2", "rotor-1", "odd"), ("K3", "rotor-1", "even")]
    (s1,) = layout.shifters
    assert (s1.hub, s1.positions) == ("out", (("neutral", None), ("first", "wheel-1"), ("third", "wheel-3")))
    assert [(m.name, m.shaft, round(m.machine.rated_power_W / 1e3)) for m in layout.machines] == [
        ("mg1", "rotor-1", 75), ("mg2", "rotor-2", 120)]
    assert layout.engine.shaft == "crank" and layout.engine.started_by == "mg1"


def test_input_split_ratios():
    (split,) = load_layout("input-split").planetary_sets
    g = ratios("input-split")
    assert split.ratio == Fraction(13, 5)                  # 78 / 30
    assert (split.sun, split.ring, split.carrier) == ("rotor-1", "out", "crank")
    assert g["final"] == Fraction(33, 10)
    assert g["second-machine"] * g["final"] == Fraction(47, 5)   # 9.4


def test_all_on_one_vehicle_engine_and_battery():
    layouts = [load_layout(name) for name in names("layout") if not name.endswith("chargeable")]
    assert len(layouts) == 8
    for a, b in pairwise(layouts):
        assert (a.vehicle.name, a.battery.name) == (b.vehicle.name, b.battery.name) == ("hill-taxi", "hybrid-1k5")
        assert a.engine.engine.name == b.engine.engine.name == "dedicated-1500"
        assert a.engine.engine.rated_power_W == b.engine.engine.rated_power_W


@pytest.mark.parametrize(("name", "machine", "total"), [
    ("three-clutch", "mg2", 7.8), ("input-split", "mg2", 9.4), ("series", "mg2", 9.0)])
def test_reaches_160_kmh_under_the_machines_top_speed(name, machine, total):
    layout = load_layout(name)
    (use,) = [m for m in layout.machines if m.name == machine]
    wheel_rad_s = 160 / 3.6 / layout.vehicle.wheel_radius_m
    assert wheel_rad_s * total < use.machine.max_rad_s


@pytest.mark.parametrize(("name", "total"), [("input-split", 9.4), ("series", 9.0)])
def test_starts_on_a_30_percent_grade_with_one_machine(name, total):
    """m g sin(atan 0.30) = 1900 * 9.81 * 0.2873 = 5356 N, and the tyres."""
    layout = load_layout(name)
    mg2 = layout.machines[1].machine
    force_N = mg2.peak_Nm[0] * total * 0.985**2 / layout.vehicle.wheel_radius_m
    assert force_N > 5356 + layout.vehicle.f0_N


@pytest.mark.parametrize("name", names("layout"))
def test_parts_have_masses_and_add_up_to_what_the_vehicle_contains(name):
    """Every car weighs its vehicle's 1900 kg; a chargeable one 110 kg more, its battery 145 in place of 35."""
    layout = load_layout(name)
    parts = [*layout.machines, *layout.gears, *layout.planetary_sets, *layout.clutches, *layout.brakes, *layout.shifters]
    assert all(part.mass_kg > 0 for part in parts) and len(layout.parts_kg) == len(parts) + 3
    more_kg = 110 if name.endswith("chargeable") else 0
    assert math.fsum(layout.parts_kg.values()) - layout.reference_kg == more_kg
    assert layout.vehicle.mass_kg == 1900 + more_kg


def test_shafts_in_order_of_appearance():
    assert load_layout("three-clutch").shafts == (
        "crank", "rotor-1", "rotor-2", "odd", "even", "wheel-1", "out", "wheel-3", "diff")
