"""Masses of parts: none by default; in place of those that the vehicle's mass contains; gone with the part."""

from __future__ import annotations

import pytest

from ems.errors import InputError
from ems.layout.load import load_layout

BARE = """
based_on = "three-clutch"
without = ["masses", "engine.mass_kg", "machines.mg1.mass_kg", "machines.mg2.mass_kg", "clutches.K1.mass_kg",
  "clutches.K2.mass_kg", "clutches.K3.mass_kg", "gears.first.mass_kg", "gears.second.mass_kg", "gears.third.mass_kg",
  "gears.second-machine.mass_kg", "gears.final.mass_kg", "shifters.S1.mass_kg"]
"""


def test_no_masses_leave_the_vehicle_alone(tmp_path):
    (tmp_path / "bare.toml").write_text(BARE, encoding="utf-8")
    layout = load_layout(str(tmp_path / "bare.toml"))
    assert (layout.parts_kg, layout.reference_kg, layout.vehicle.mass_kg) == ({}, 0.0, 1900.0)


def test_parts_replace_the_reference():
    """283 kg by hand: 95 + 28 + 40, three clutches of 16, gears of 24, a shifter of 3, battery 35, the rest 42."""
    layout = load_layout("three-clutch")
    assert sum(layout.parts_kg.values()) == layout.reference_kg == 283.0 and layout.parts_kg["clutches.K1"] == 6.0
    assert layout.vehicle.mass_kg == 1900.0 and layout.vehicle.f0_N == 175.0


def test_a_heavier_part_makes_a_heavier_car_that_rolls_harder():
    layout = load_layout("three-clutch", overrides=("masses.battery_kg=130",))
    assert layout.vehicle.mass_kg == pytest.approx(1995.0)
    assert layout.vehicle.f0_N == pytest.approx(175 * 1995 / 1900)
    assert layout.vehicle.f2_Ns2_m2 == load_layout("three-clutch").vehicle.f2_Ns2_m2


def test_a_part_left_out_takes_its_mass_along(tmp_path):
    """The rear axle of three-clutch-rear: 16 + 3 + 9 kg."""
    (tmp_path / "front.toml").write_text("""
        based_on = "three-clutch-rear"
        without = ["machines.mg3", "clutches.K4", "gears.rear", "axles.rear", "shafts.rear-lay", "shafts.rear-diff"]
    """, encoding="utf-8")
    assert load_layout(str(tmp_path / "front.toml")).vehicle.mass_kg == 1900 - 28


def test_the_vehicle_must_outweigh_the_reference():
    with pytest.raises(InputError, match=r"masses\.reference_kg: found 2500; expected less than the vehicle's mass"):
        load_layout("series", overrides=("masses.reference_kg=2500",))
