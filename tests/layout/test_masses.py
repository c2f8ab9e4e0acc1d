"""Masses of parts: none by default; in place of those that the vehicle's mass contains; gone with the part."""

from __future__ import annotations

import pytest

from ems.errors import InputError
from ems.layout.load import load_layout
from ems.layout.without import with_one_machine
from ems.library import names

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
    """The rear axle of three-clutch-rear: 15 + 3 + 9 kg."""
    (tmp_path / "front.toml").write_text("""
        based_on = "three-clutch-rear"
        without = ["machines.mg3", "clutches.K4", "gears.rear", "axles.rear", "shafts.rear-lay", "shafts.rear-diff"]
    """, encoding="utf-8")
    assert load_layout(str(tmp_path / "front.toml")).vehicle.mass_kg == 1900 - 27


def test_the_vehicle_must_outweigh_the_reference():
    with pytest.raises(InputError, match=r"masses\.reference_kg: found 2500; expected less than the vehicle's mass"):
        load_layout("series", overrides=("masses.reference_kg=2500",))


@pytest.mark.parametrize("name", sorted(names("layout")))
def test_parts_weigh_what_their_component_files_say(name):
    """Engine, machines (at their rating, in proportion) and battery, to the kilogram the layout files are written in."""
    layout = load_layout(name)
    components = {"engine": layout.engine.engine, "battery": layout.battery} | {f"machines.{m.name}": m.machine for m in layout.machines}
    for part, component in components.items():
        assert component.mass_kg > 0.0 and layout.parts_kg[part] == pytest.approx(component.mass_kg, abs=0.51), part
    assert layout.vehicle.mass_kg == (2010.0 if "chargeable" in name else 1900.0)


def test_one_machine_in_place_of_two_weighs_as_its_rating_says():
    """three-clutch: mg2 of 120 kW and 40 kg becomes one of 195 kW, 65 kg, and mg1 with its 28 kg is gone (by hand)."""
    layout = with_one_machine(load_layout("three-clutch"), "mg2")
    (machine,) = layout.machines
    grown = 40.0 * sum(m.machine.rated_power_W for m in load_layout("three-clutch").machines) / load_layout("three-clutch").machines[
        1].machine.rated_power_W
    assert machine.mass_kg == layout.parts_kg["machines.mg2"] == pytest.approx(grown) and grown == pytest.approx(65.0, abs=0.5)
    assert "machines.mg1" not in layout.parts_kg
    assert layout.vehicle.mass_kg == pytest.approx(1900.0 - 28.0 - 40.0 + grown)
    assert layout.vehicle.f0_N == pytest.approx(175.0 * layout.vehicle.mass_kg / 1900.0)
