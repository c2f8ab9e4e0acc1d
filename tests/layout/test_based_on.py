"""A layout file that says only how it differs from another."""

from __future__ import annotations

from pathlib import Path

import pytest

from ems.errors import InputError
from ems.layout.load import load_layout


def write(name: str, text: str) -> str:
    Path(name).parent.mkdir(parents=True, exist_ok=True)
    Path(name).write_text(text, encoding="utf-8")
    return name


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def mistakes_of(name: str, *overrides: str):
    with pytest.raises(InputError) as caught:
        load_layout(name, overrides=overrides)
    return caught.value.mistakes


def test_nothing_changed_is_the_same_layout():
    assert load_layout(write("mine.toml", 'based_on = "three-clutch"\n')).digest == load_layout("three-clutch").digest


def test_tables_are_changed_key_by_key():
    plain = load_layout("three-clutch")
    mine = load_layout(write("mine.toml", """
        based_on = "Three-Clutch"
        vehicle.mass_kg = 2000
        [machines.mg1]
        rating_kW = 60
        [clutches]
        K2 = { hold_W = 12 }
        K4 = { joins = ["crank", "odd"] }
        [gears]
        first = { teeth = [16, 46] }
    """))
    assert (mine.vehicle.mass_kg, mine.vehicle.wheel_radius_m) == (2000, plain.vehicle.wheel_radius_m)
    assert mine.machines[0].machine.rated_power_W == pytest.approx(60e3) and mine.machines[0].shaft == "rotor-1"
    assert [c.name for c in mine.clutches] == ["K1", "K2", "K3", "K4"] and mine.clutches[1].hold_W == 12
    assert mine.gears[0].ratio == plain.gears[0].ratio and mine.gears[0].from_shaft == "odd"     # 46 / 16 = 2.875


def test_left_out_and_the_same_as_a_whole_file():
    mine = load_layout(write("mine.toml", """
        based_on = "three-clutch-rear"
        without = ["machines.mg3", "clutches.K4", "gears.rear", "axles.rear", "shafts.rear-lay", "shafts.rear-diff"]
        masses.reference_kg = 283
    """))
    assert mine.digest == load_layout("three-clutch").digest


def test_a_chain_over_folders_finds_what_stands_beside_each_file():
    write("base/car.toml", "mass_kg = 1500\nrotating_mass_kg = 30\nwheel_radius_m = 0.3\nauxiliary_W = 200\n"
          "drag_area_m2 = 0.6\nrolling_resistance = 0.009\n")
    write("base/first.toml", 'based_on = "series"\nvehicle = "car.toml"\n')
    write("mine/second.toml", 'based_on = "../base/first.toml"\nbattery.soc_target = 0.5\n')
    mine = load_layout("mine/second.toml")
    assert (mine.vehicle.mass_kg, mine.battery.soc_target, mine.name) == (1500, 0.5, "second")


def test_a_mistake_is_told_at_the_file_it_stands_in():
    write("base.toml", 'based_on = "three-clutch"\nprices.shift_g = -1\n')
    told = {(m.where, m.key) for m in mistakes_of(write("mine.toml", """
        based_on = "base.toml"
        prices.start_g = -2
        gears.first.ratio = 0
        clutches.K9.hold_W = 4
    """), "vehicle.mass_kg=-5")}
    assert told >= {("base.toml", "prices.shift_g"), ("mine.toml", "prices.start_g"), ("mine.toml", "gears.first.ratio"),
                    ("mine.toml", "clutches.K9.joins"), ("--set", "vehicle.mass_kg")}


@pytest.mark.parametrize(("text", "key", "found", "expected", "nearest"), [
    ('based_on = "three-cluch"', "based_on", "'three-cluch'", "a shipped layout", "three-clutch"),
    ('based_on = "gone.toml"', "based_on", "'gone.toml'", "an existing layout file", None),
    ("based_on = 3", "based_on", "3", "the short name or path", None),
    ('based_on = "mine.toml"', "based_on", "leads back to this file", "another layout", None),
    ('based_on = "series"\nwithout = ["gears.drve"]', "without.1", "'gears.drve'", "gears.drive", "gears.drive"),
    ('based_on = "series"\nwithout = "gears"', "without", "'gears'", "a list of dotted keys", None),
    ('name = "x"\nwithout = ["gears"]', "without", "a list", "no such key", None),
])
def test_mistakes(text, key, found, expected, nearest):
    (mistake,) = mistakes_of(write("mine.toml", text + "\n"))
    assert (mistake.where, mistake.key, mistake.nearest) == ("mine.toml", key, nearest)
    assert found in mistake.found and expected in mistake.expected


def test_two_files_based_on_each_other():
    write("a.toml", 'based_on = "b.toml"\n')
    write("b.toml", 'based_on = "a.toml"\n')
    (mistake,) = mistakes_of("a.toml")
    assert (mistake.where, mistake.key) == ("b.toml", "based_on")


def test_set_does_not_reach_it():
    (mistake,) = mistakes_of("series-chargeable", 'based_on="three-clutch"')
    assert (mistake.where, mistake.key) == ("--set", "based_on")


def test_a_part_left_out_takes_its_words_of_forbid_along(tmp_path):
    path = tmp_path / "two.toml"
    path.write_text('based_on = "three-clutch"\nwithout = ["clutches.K2"]\n', encoding="utf-8")
    assert load_layout(str(path)).forbid == ("off:K1", "off:K1+S1=first", "off:K1+S1=third")


def test_a_wrong_word_of_without_hides_no_other_mistake(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text('based_on = "three-clutch"\nwithout = ["clutches.K5"]\nat_most_one = [["K1", "K7"]]\nengine.idle_speed_rpm = "x"\n',
                    encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_layout(str(path))
    assert {m.key for m in caught.value.mistakes} >= {"without.1", "at_most_one.1.2", "engine.idle_speed_rpm"}
