"""One dotted-path override: layout keys, component keys, new elements, and paths that lead nowhere."""

from __future__ import annotations

import copy
from decimal import Decimal
from fractions import Fraction

import pytest

from ems.errors import InputError
from ems.layout.load import load_layout
from ems.layout.override import apply, parse

DATA = {
    "vehicle": "hill-taxi",
    "engine": {"shaft": "crank", "map": "dedicated-1500"},
    "machines": {"mg1": {"shaft": "rotor-1", "map": "machine-75"}},
    "gears": {"a": {"from": "crank", "to": "rotor-1", "teeth": [20, 40]}},
}


@pytest.mark.parametrize(("text", "path", "value"), [
    ("a.b=70.5", "a.b", Decimal("70.5")), ("a = 3", "a", 3), ("a=true", "a", True), ('a="x y"', "a", "x y"),
    ("vehicle=hill-taxi", "vehicle", "hill-taxi"), ("a=my/car.toml", "a", "my/car.toml"),
    ('a=["K1", "K2"]', "a", ["K1", "K2"]), ("a={b = 1}", "a", {"b": 1}), ("a=b=c", "a", None)])
def test_parse(text, path, value):
    if value is None:
        with pytest.raises(InputError, match=r"--set: a: found 'b=c'; expected a TOML value"):
            parse(text)
    else:
        assert parse(text) == (path, value)


@pytest.mark.parametrize("text", ["vehicle", "=3", ""])
def test_parse_needs_key_and_value(text):
    with pytest.raises(InputError, match=r"expected KEY=VALUE, for example vehicle\.mass_kg=1900"):
        parse(text)


def test_apply_leaves_the_original_alone():
    before = copy.deepcopy(DATA)
    changed = apply(DATA, "machines.mg1.rating_kW", 70)
    assert changed["machines"]["mg1"] == {"shaft": "rotor-1", "map": "machine-75", "rating_kW": 70}
    assert before == DATA


def test_component_given_by_name_becomes_based_on_it():
    assert apply(DATA, "vehicle.mass_kg", 2000)["vehicle"] == {"based_on": "hill-taxi", "mass_kg": 2000}
    twice = apply(apply(DATA, "vehicle.mass_kg", 2000), "vehicle.auxiliary_W", 500)
    assert twice["vehicle"] == {"based_on": "hill-taxi", "mass_kg": 2000, "auxiliary_W": 500}
    deep = apply(DATA, "machines.mg1.map.inertia_kgm2", 0.1)
    assert deep["machines"]["mg1"]["map"] == {"based_on": "machine-75", "inertia_kgm2": 0.1}


def test_ratio_takes_the_place_of_teeth():
    assert apply(DATA, "gears.a.ratio", 3)["gears"]["a"] == {"from": "crank", "to": "rotor-1", "ratio": 3}


def test_whole_new_element():
    joins = {"joins": ["crank", "rotor-1"]}
    assert apply(DATA, "clutches.K1", joins)["clutches"] == {"K1": joins}


@pytest.mark.parametrize(("path", "expected", "nearest"), [
    ("machines.mg2.rating_kW", "machines.mg1", "machines.mg1.rating_kW"),
    ("machines.mg1.ratin_kW", "machines.mg1.rating_kW", "machines.mg1.rating_kW"),
    ("vehicel.mass_kg", "one of name", "vehicle.mass_kg"),
    ("gears.a.ratio.x", "no more than gears.a.ratio", None),
    ("shafts.cranc.max_rpm", "shafts.crank", "shafts.crank.max_rpm"),
])
def test_unknown_path_names_the_nearest(path, expected, nearest):
    with pytest.raises(InputError) as caught:
        apply(DATA, path, 1)
    (mistake,) = caught.value.mistakes
    assert (mistake.where, mistake.key) == ("--set", path)
    assert expected in mistake.expected
    assert mistake.nearest == nearest


def test_through_to_the_components():
    plain = load_layout("three-clutch")
    changed = load_layout("three-clutch", overrides=(
        "vehicle.mass_kg=2000", "machines.mg1.rating_kW=37.5", "gears.final.ratio=3.6", "shafts.out.max_rpm=6000",
        "prices.shift_g=0.2", "machines.mg2.map=series-150"))
    assert changed.vehicle.mass_kg == 2000 and plain.vehicle.mass_kg == 1900
    half, whole = changed.machines[0].machine, plain.machines[0].machine
    assert half.rated_power_W == pytest.approx(37_500)
    assert half.peak_Nm == pytest.approx(whole.peak_Nm * 37_500 / whole.rated_power_W)
    assert changed.gears[-1].ratio == Fraction(18, 5)
    assert changed.shaft_properties["out"].max_rad_s == pytest.approx(628.3185307)
    assert changed.shift_price_g == 0.2
    assert changed.machines[1].machine.name == "series-150"


def test_mistakes_in_values_are_told_at_the_option_all_at_once():
    with pytest.raises(InputError) as caught:
        load_layout("three-clutch", overrides=(
            "gears.first.ratio=0", "vehicle.mass_kg=-3", "clutches.K1.hold=3", "vehicle.mas_kg=3"))
    told = {m.key: m for m in caught.value.mistakes}
    assert {m.where for m in told.values()} == {"--set"}
    assert set(told) == {"gears.first.ratio", "vehicle.mass_kg", "clutches.K1.hold", "vehicle.mas_kg"}
    assert told["clutches.K1.hold"].nearest == "clutches.K1.hold_W"
    assert told["vehicle.mas_kg"].nearest == "mass_kg"


def test_a_component_s_own_keys_without_saying_map():
    """The layout's own keys come first; deeper keys and mistakes are told under map."""
    plain = load_layout("three-clutch")
    changed = load_layout("three-clutch", overrides=(
        "engine.inertia_kgm2=0.2", "engine.start_fuel_g=0.9", "engine.cold.heat_share=0.3", "engine.mass_kg=100",
        "machines.mg1.inertia_kgm2=0.05", "battery.soc_low=0.4", "vehicle.regeneration.fade_to_kmh=5"))
    engine = changed.engine.engine
    assert (engine.inertia_kgm2, engine.start_fuel_g, engine.cold.heat_share) == (0.2, 0.9, 0.3)
    assert changed.engine.mass_kg == 100 and engine.mass_kg == plain.engine.engine.mass_kg
    assert changed.machines[0].machine.inertia_kgm2 == 0.05 and changed.machines[1].machine is not plain.machines[0].machine
    assert changed.battery.soc_low == 0.4 and changed.vehicle.fade_to_m_s == pytest.approx(5 / 3.6)
    same = load_layout("three-clutch", overrides=("engine.map.inertia_kgm2=0.2",))
    assert same.digest == load_layout("three-clutch", overrides=("engine.inertia_kgm2=0.2",)).digest


@pytest.mark.parametrize(("path", "nearest"), [
    ("engine.inertia_kgm", "engine.inertia_kgm2"), ("machines.mg1.inertia", "machines.mg1.inertia_kgm2"),
    ("engine.cranking_tim_s", "engine.cranking_time_s")])
def test_unknown_keys_of_engine_and_machine_name_both_files_keys(path, nearest):
    with pytest.raises(InputError) as caught:
        load_layout("three-clutch", overrides=(f"{path}=1",))
    (mistake,) = caught.value.mistakes
    assert (mistake.where, mistake.key, mistake.nearest) == ("--set", path, nearest)
    assert path.rpartition(".")[0] + ".rating_kW" in mistake.expected


def test_mistakes_in_a_component_s_own_keys_are_told_at_the_option():
    with pytest.raises(InputError) as caught:
        load_layout("three-clutch", overrides=("engine.inertia_kgm2=-1", "engine.cold.heat_shar=1"))
    assert {(m.where, m.key) for m in caught.value.mistakes} == {
        ("--set", "engine.map.inertia_kgm2"), ("--set", "engine.map.cold.heat_shar")}
