"""The table of keys covers the schema; the digest tells layouts apart by what matters, and by nothing else."""

from __future__ import annotations

import dataclasses

import pytest

from ems.layout.digest import digest
from ems.layout.keys import layout_keys
from ems.layout.load import load_layout
from ems.quantities import QUANTITIES, unit_from_name
from ems.solve.optimum import Optimum


def test_every_key_has_type_unit_and_meaning():
    keys = {k.dotted: k for k in layout_keys()}
    assert len(keys) == len(layout_keys())
    for key in keys.values():
        assert key.takes and key.unit and key.meaning, key.dotted
        assert "\n" not in key.meaning
    assert keys["gears.*.from"].required and not keys["gears.*.ratio"].required
    assert (keys["gears.*.efficiency"].bounds, keys["gears.*.efficiency"].default) == ("> 0, <= 1", "0.985")
    assert keys["machines.*.rating_kW"].unit == "kW"
    assert keys["gears.*.ratio"].takes == "exact ratio"
    assert keys["shifters.*.positions"].takes == "names by name"


def test_units_agree_with_suffixes():
    for key in layout_keys():
        suffix_unit = unit_from_name(key.path[-1])
        if suffix_unit != "-":
            assert key.unit == suffix_unit, key.dotted


def test_quantities_have_units_from_their_names():
    assert QUANTITIES["fuel_l_per_100km"].unit == "l/100 km"
    assert QUANTITIES["surplus_J"].unit == "J"
    assert QUANTITIES["engine_starts"].unit == "-"
    assert all(q.meaning for q in QUANTITIES.values())


def test_every_number_of_an_optimum_stands_in_the_table():
    numbers = {f.name for f in dataclasses.fields(Optimum) if f.type in ("float", "int", "float | None")}
    assert len(numbers) > 20 and numbers <= set(QUANTITIES)


def test_digest_ignores_words_and_paths(tmp_path):
    shipped = load_layout("three-clutch")
    assert shipped.path is not None
    text = shipped.path.read_text(encoding="utf-8").replace('name = "Two', 'name = "Another name for two')
    (tmp_path / "other.toml").write_text("# a comment\n" + text, encoding="utf-8")
    assert load_layout(str(tmp_path / "other.toml")).digest == shipped.digest


@pytest.mark.parametrize("change", [
    "gears.first.ratio=2.8750001", "vehicle.mass_kg=1900.1", "machines.mg1.rating_kW=74", "clutches.K1.hold_W=1",
    "engine.map.start_fuel_g=0.41", 'at_most_one=[["K2", "K3"]]', "prices.start_g=0.1", "shafts.out.max_rpm=9000",
    "battery.soc_target=0.56", "engine.started_by=mg2"])
def test_digest_sees_what_matters(change):
    assert load_layout("three-clutch", overrides=(change,)).digest != load_layout("three-clutch").digest


def test_digest_forgives_the_last_bits():
    layout = load_layout("three-clutch")
    vehicle = dataclasses.replace(layout.vehicle, mass_kg=layout.vehicle.mass_kg * (1 + 2e-16))
    assert digest(dataclasses.replace(layout, vehicle=vehicle)) == layout.digest
