"""``ems modes`` as a user meets it: the contract of its JSON, the view for people, and what goes wrong."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path

import pytest

KEYS = {"id", "closed", "shifters", "engine", "kind", "degrees_of_freedom", "speed_map", "speed_map_exact",
        "speed_range_kmh", "equivalents", "hold_W"}
KINDS = {"electric", "electric, engine idling", "series", "parallel", "power split", "engine", "charging", "neutral",
         "neutral, engine idling"}


def split(line: str) -> list[str]:
    return [cell.strip() for cell in line.split("  ") if cell.strip()]


@pytest.mark.parametrize(("name", "states", "configurations", "tie_ups"), [
    ("three-clutch", 24, 28, 4), ("input-split", 1, 2, 0), ("series", 1, 2, 0)])
def test_json_contract(ems, name, states, configurations, tie_ups):
    ended = ems("modes", name, "--json")
    assert (ended.code, ended.err) == (0, "")
    found = ended.json
    assert (found["schema"], found["status"], found["layout"]) == ("ems.modes/1", "done", name)
    assert found["actuator_states"] == states
    assert len(found["configurations"]) == configurations and len(found["tie_ups"]) == tie_ups
    for c in found["configurations"]:
        assert set(c) >= KEYS
        assert c["kind"] in KINDS and c["engine"] in ("stopped", "running")
        assert len(c["speed_map"]) == len(found["sources"]) == 3
        assert c["speed_map"] == [[float(Fraction(value)) for value in row] for row in c["speed_map_exact"]]
        assert 0.0 <= c["speed_range_kmh"][0] <= c["speed_range_kmh"][1]
        assert c["degrees_of_freedom"] == len(c["free_choices"])
    assert set(found["neutral"]) <= {c["id"] for c in found["configurations"]}


def test_json_of_one_configuration(ems):
    found = ems("modes", "Three-Clutch", "--json").json
    (c,) = [c for c in found["configurations"] if c["id"] == "on:K1+K3+S1=third"]
    assert (c["closed"], c["shifters"]) == (["K1", "K3"], {"S1": "third"})
    assert (c["engine"], c["kind"], c["active"]) == ("running", "parallel", ["engine", "mg1", "mg2"])
    assert c["speed_map"] == [[5.6, 0.0], [5.6, 0.0], [7.8, 0.0]]
    assert c["speed_map_exact"] == [["28/5", "0"], ["28/5", "0"], ["39/5", "0"]]
    assert c["free_choices"] == ["engine torque", "mg1 torque"]
    (tie_up,) = [t for t in found["tie_ups"] if t["engaged"] == "K2+K3+S1=first"]
    assert (tie_up["closed"], tie_up["shifters"]) == (["K2", "K3"], {"S1": "first"})
    (neutral,) = [c for c in found["configurations"] if c["id"] == "off:open"]
    assert neutral["shifters"] == {"S1": "neutral"} and neutral["equivalents"] == []
    assert found["neutral"] == ["off:open", "on:open", "on:K1", "on:K1+K2"]


def test_the_answer_first_then_kinds_then_interlocks(ems):
    lines = ems("modes", "three-clutch").out.splitlines()
    assert lines[0] == ("28 configurations from 24 actuator states; 4 tie-ups: "
                        "Two machines, three clutches, three speeds")
    heads = [line.split(":")[0] for line in lines if line[:1].isalpha() and ")" in line.split(":")[0]]
    assert heads == ["electric (8)", "parallel (6)", "series (2)", "charging (2)", "electric, engine idling (8)",
                     "neutral (1)", "neutral, engine idling (1)"]
    end = next(i for i, line in enumerate(lines) if line.startswith("  on, off:"))
    rows = {split(line)[0]: split(line)[1:] for line in lines[:end] if line.startswith(("  on:", "  off:"))}
    assert len(rows) == 28
    assert rows["on:K1+K3+S1=third"] == ["engine 5.6, mg1 5.6, mg2 7.8", "22 to 133", "engine torque, mg1 torque"]
    assert rows["on:K1+K2"] == ["none; engine drives mg1 1 x e, mg2 2.6 x e", "any",
                                "engine speed, engine torque, mg1 torque"]
    first = next(i for i, line in enumerate(lines) if line.startswith("Interlocks: 4 actuator states"))
    assert [split(line)[0] for line in lines[first + 1:first + 5]] == [
        "K2+K3+S1=first", "K2+K3+S1=third", "K1+K2+K3+S1=first", "K1+K2+K3+S1=third"]
    caution = " ".join(lines[first + 5:first + 7])
    assert "locks the wheels" in caution and "engineered by qualified people" in caution and "standards" in caution
    assert "stopped engine holds the wheels" in " ".join(lines[first + 7:])


def test_what_a_configuration_costs_is_shown_for_each(ems):
    """First gear ends at 13,000 rpm of mg2, 29.9 turns a wheel turn: 54 km/h at 0.33 m. There 0.3 N m at the differential, 0.2 at output
    (4 turns), odd (11.5) and even shaft (5.6) brake, as the layout file has them: 206 W by hand. At 60 km/h third: 142 W."""
    lines = ems("modes", "three-clutch").out.splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("What each configuration costs"))
    assert split(lines[first + 1]) == ["configuration", "hold and pumps", "drag", "at", "limits beside those of the sources"]
    rows = {split(line)[0]: split(line)[1:] for line in lines[first + 2:first + 30]}
    assert len(rows) == 28 and all("-" not in cells for cells in rows.values())
    top_rad_s = 13_000 / 29.9 * 3.14159265 / 30
    by_hand_W = top_rad_s * (0.3 + 0.2 * (4 + 11.5 + 5.6))
    assert rows["off:S1=first"] == ["2 W", f"{by_hand_W:.0f} W", f"{top_rad_s * 0.33 * 3.6:.0f} km/h", "none"]
    wheel_rad_s = 60 / 3.6 / 0.33
    assert rows["on:K1+K2+S1=third"] == ["42 W", f"{wheel_rad_s * (0.3 + 0.2 * (4 + 3 + 5.6)):.0f} W", "60 km/h", "none"]
    legend = " ".join(lines[first + 30:first + 34])
    assert "keeps clutches, brakes and shifters engaged" in legend and "nearest to it that the configuration reaches" in legend
    assert "None: the layout file gives none." in legend


def test_input_split_shows_the_free_ratio(ems):
    ended = ems("modes", "input-split")
    assert "engine free, mg1 3.6 x e - 8.58, mg2 9.4" in ended.out
    assert "carried along: mg1 -8.58" in ended.out
    assert "No actuator state locks the wheels." in ended.out and "Interlocks" not in ended.out


def test_nothing_is_cut_when_piped(ems):
    out = ems("modes", "three-clutch").out
    assert "…" not in out and all(line == line.rstrip() for line in out.splitlines())


def test_set_changes_the_ratios(ems):
    changes = ("--set", "gears.second.ratio=2", "--set", "at_most_one=[['K2', 'K3']]")
    found = ems("modes", "three-clutch", *changes, "--json")
    (c,) = [c for c in found.json["configurations"] if c["id"] == "on:K1+K3"]
    assert c["speed_map"][0] == [8.0, 0.0]
    assert (found.json["actuator_states"], found.json["tie_ups"]) == (18, [])


def test_out_writes_the_same_result(ems):
    shown = ems("modes", "series", "--json", "--out", "found")
    written = json.loads(Path("found/result.json").read_text(encoding="utf-8"))
    assert shown.code == 0 and {k: v for k, v in written.items() if k != "files"} == shown.json
    refused = ems("modes", "series", "--out", "found")
    assert refused.code == 1 and "--force" in refused.err
    assert ems("modes", "series", "--out", "found", "--force").code == 0


def test_out_holds_the_drawing_and_the_sheet(ems):
    title = "<script>alert(1)</script>"
    assert ems("modes", "two-mode", "--out", "sheet", "--set", f"name='{title}'").code == 0
    result = json.loads(Path("sheet/result.json").read_text(encoding="utf-8"))
    assert set(result["files"]) == {"layout.svg", "configurations.html"}
    page = Path("sheet/configurations.html").read_text(encoding="utf-8")
    assert title not in page and "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
    for c in result["configurations"]:
        assert f"<h3>{c['id']}</h3>" in page
    assert page.count("<svg") == 1 + len(result["configurations"])
    ids = re.findall(r' id="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_the_sheet_has_the_interlock_table(ems):
    ems("modes", "three-clutch", "--out", "sheet")
    page = Path("sheet/configurations.html").read_text(encoding="utf-8")
    assert "<td>K2+K3+S1=first</td>" in page and "locks the wheels" in page and "engineered by qualified people" in page


def test_forbid_names_what_modes_shows(ems):
    everything = ems("modes", "three-clutch", "--set", "forbid=[]", "--json").json["configurations"]
    fewer = ems("modes", "three-clutch", "--set", "forbid=['on:K1+K2+K3']", "--json").json["configurations"]
    assert [c["id"] for c in everything if c["id"] != "on:K1+K2+K3"] == [c["id"] for c in fewer]


@pytest.mark.parametrize(("words", "key", "nearest"), [
    (("modes", "three-clutches"), "", "three-clutch"),
    (("modes", "three-clutch", "--set", "forbid=['on:K1+K5']"), "forbid.1", "on:K1"),
    (("modes", "series", "--set", "gears.drive.ratio=0"), "gears.drive.ratio", None),
])
def test_mistakes(ems, words, key, nearest):
    said, told = ems(*words), ems(*words, "--json")
    assert (said.code, told.code, said.out) == (1, 1, "")
    (error,) = told.json["errors"]
    assert key in error["key"] and key in said.err
    if nearest:
        assert error["nearest"].startswith(nearest) and f"nearest: {nearest}" in said.err


def test_check_derives_too(ems):
    """A layout that reads well but cannot be used is found by ``check``, not by the first long run."""
    good = ems("check", "three-clutch")
    assert "24 actuator states, 4 tie-ups, 28 configurations" in good.out
    ended = ems("check", "three-clutch", "--set", "forbid=['on:K1+K5']")
    assert ended.code == 1 and "forbid.1" in ended.err


def test_every_state_a_tie_up(ems):
    Path("stuck.toml").write_text(
        'name = "stuck"\nvehicle = "hill-taxi"\nbattery = "hybrid-1k5"\naxles.front.shaft = "diff"\n'
        'engine = { shaft = "crank", map = "dedicated-1500" }\n'
        'gears.a = { from = "crank", to = "diff", ratio = 3 }\ngears.b = { from = "crank", to = "diff", ratio = 4 }\n',
        encoding="utf-8")
    ended = ems("modes", "stuck.toml")
    assert (ended.code, ended.out) == (1, "")
    assert "stuck.toml" in ended.err and "all actuator states (1) lock the wheels" in ended.err
