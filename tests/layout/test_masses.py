"""Masses of parts: none by default; in place of those that the vehicle's mass contains; gone with the part."""

from __future__ import annotations

import pytest

from ems.errors import InputError
from ems.layout.load import load_layout

PARTS = ("masses.reference_kg=200", "masses.battery_kg=35", "engine.mass_kg=95", "machines.mg1.mass_kg=28",
         "clutches.K1.mass_kg=6", "shifters.S1.mass_kg=4", "gears.first.mass_kg=2", "masses.other_kg=30")


def test_no_masses_leave_the_vehicle_alone():
    layout = load_layout("three-clutch")
    assert (layout.parts_kg, layout.reference_kg, layout.vehicle.mass_kg) == ({}, 0.0, 1900.0)


def test_parts_replace_the_reference():
    """35 + 95 + 28 + 6 + 4 + 2 + 30 = 200: the car weighs what it weighed."""
    layout = load_layout("three-clutch", overrides=PARTS)
    assert sum(layout.parts_kg.values()) == 200.0 and layout.parts_kg["clutches.K1"] == 6.0
    assert layout.vehicle.mass_kg == 1900.0 and layout.vehicle.f0_N == load_layout("three-clutch").vehicle.f0_N


def test_a_heavier_part_makes_a_heavier_car_that_rolls_harder():
    layout, plain = load_layout("three-clutch", overrides=(*PARTS, "masses.battery_kg=130")), load_layout("three-clutch")
    assert layout.vehicle.mass_kg == pytest.approx(1995.0)
    assert layout.vehicle.f0_N == pytest.approx(175 * 1995 / 1900)
    assert layout.vehicle.f2_Ns2_m2 == plain.vehicle.f2_Ns2_m2


def test_the_vehicle_must_outweigh_the_reference():
    with pytest.raises(InputError, match=r"masses\.reference_kg: found 2000; expected less than the vehicle's mass"):
        load_layout("series", overrides=("masses.reference_kg=2000",))
