"""``ems tune``: what is refused before anything is computed, and the list of parameters."""

from __future__ import annotations

import json

from ems.strategies.calibration import load_calibration


def test_every_mistake_before_anything_is_computed(ems):
    ended = ems("tune", "three-clutch", "--cycle", "wltc-9", "--unseen", "udd", "--parameter", "electric.power_W")
    assert ended.code == 1 and ended.out == ""
    for word in ("wltc-9", "nearest: udds", "nearest: electric.power_kW"):
        assert word in ended.err


def test_only_rules_have_a_calibration(ems):
    ended = ems("tune", "series", "--strategy", "ecms", "--json")
    assert ended.code == 1
    assert "only the rules" in json.loads(ended.out)["errors"][0]["expected"]


def test_list_of_parameters_and_a_file_to_begin_from(ems, tmp_path):
    ended = ems("tune", "series", "--list", "--json", "--out", str(tmp_path / "first"))
    rows = json.loads(ended.out)["parameters"]
    assert {"name", "value", "unit", "low", "high", "meaning"} <= set(rows[0])
    assert any(r["name"] == "electric.power_kW" and r["unit"] == "kW" for r in rows)
    assert load_calibration(tmp_path / "first" / "calibration.toml").charge.target == 0.55
    assert "engine.minimum_on_s" in ems("tune", "series", "--list").out
