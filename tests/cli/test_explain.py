"""``ems explain``: the ranking at a second, from a layout or from a folder of results."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pytest

SHORT_TRIP = Path(__file__).parents[1] / "data" / "short-trip.csv"


@pytest.fixture
def short_trip() -> Path:
    return SHORT_TRIP


@pytest.fixture
def out(ems, short_trip):
    assert ems("optimum", "three-clutch", "--cycle", str(short_trip), "--out", "o", "--quiet").code == 0
    return Path("o")


def test_a_folder_and_its_layout_explain_alike(ems, out, short_trip):
    from_folder = ems("explain", "o", "--at", "20", "--json")
    assert from_folder.code == 0, from_folder.err
    assert from_folder.json == ems("explain", "three-clutch", "--cycle", str(short_trip), "--at", "20", "--json").json


@pytest.mark.parametrize("second", [0, 3, 12, 40, 70, 139])
def test_chosen_is_what_the_trace_drove_and_the_rest_is_ranked_or_stopped(ems, out, second):
    told = ems("explain", "o", "--at", str(second), "--json").json
    with (out / "trace.csv").open(encoding="utf-8", newline="") as file:
        row = list(csv.DictReader(file))[second]
    assert told["schema"] == "ems.explain/1" and told["time_s"] == second and told["chosen"] == row["configuration"]
    assert told["speed_kmh"] == pytest.approx(float(row["speed_kmh"]))
    rows = {r["id"]: r for r in told["rows"]}
    assert rows[told["chosen"]]["feasible"] and rows[told["chosen"]]["mode"] == row["mode"]
    feasible = sorted((r for r in rows.values() if r["feasible"]), key=lambda r: r["rank"])
    totals = [r["total_g"] for r in feasible]
    assert totals == sorted(totals) and all(math.isfinite(t) for t in totals)
    parts = ("fuel_g", "equivalent_g", "transition_g", "later_g")
    assert totals == pytest.approx([sum(r[part] for part in parts) for r in feasible])
    assert [r["rank"] for r in feasible] == list(range(1, len(feasible) + 1))
    assert all(r["limit"] for r in rows.values() if not r["feasible"])
    assert all(r["limit"] == "" for r in feasible)
    assert all(bool(r["mode"]) == r["feasible"] for r in rows.values())


def test_text_ranks_every_configuration_and_says_why(ems, out):
    told, text = ems("explain", "o", "--at", "70", "--json").json, ems("explain", "o", "--at", "70", "--quiet").out
    assert f"at 70 s: {told['speed_kmh']:.1f} km/h" in text
    for row in told["rows"]:
        line = next(line for line in text.splitlines() if row["id"] in line.split())
        assert (f"{row['total_g']:.4f}" if row["feasible"] else row["limit"]) in line
    assert next(line for line in text.splitlines() if line.rstrip().endswith("chosen")).split()[1] == told["chosen"]
    assert f"{told['chosen']} " in text.split("chosen", 1)[1]


@pytest.mark.parametrize("second", ["-1", "140", "1e9", "nan", "inf"])
def test_a_second_outside_the_cycle(ems, short_trip, second):
    ended = ems("explain", "three-clutch", "--cycle", str(short_trip), "--at", second)
    assert ended.code == 1 and "from 0 s to before 140 s" in ended.err


def test_at_is_needed_and_a_number(ems):
    assert ems("explain", "three-clutch").code == 2
    assert ems("explain", "three-clutch", "--at", "noon").code == 2


def test_a_folder_brings_its_own_inputs(ems, out):
    ended = ems("explain", "o", "--at", "3", "--cycle", "nedc")
    assert ended.code == 2 and "brings its own inputs" in ended.err


def test_a_layout_changed_since_is_refused(ems, short_trip):
    assert ems("new", "series", "mine.toml").code == 0
    assert ems("optimum", "mine.toml", "--cycle", str(short_trip), "--out", "o", "--quiet").code == 0
    assert ems("explain", "o", "--at", "3").code == 0
    text = Path("mine.toml").read_text(encoding="utf-8")
    assert "efficiency = 0.985" in text
    Path("mine.toml").write_text(text.replace("efficiency = 0.985", "efficiency = 0.975"), encoding="utf-8")
    ended = ems("explain", "o", "--at", "3")
    assert ended.code == 1 and "changed since ems" in ended.err and "mine.toml has another content now" in ended.err
    assert "run the command that wrote the folder again with --force" in ended.err


@pytest.mark.parametrize("content", [
    None, "no json", "[]", '{"schema": "ems.layouts/1"}', '{"schema": "ems.optimum/1"}',
    '{"schema": "ems.optimum/1", "inputs": {"layout": "series"}}'])
def test_a_folder_without_an_optimum(ems, content):
    Path("o").mkdir()
    if content is not None:
        Path("o/result.json").write_text(content, encoding="utf-8")
    ended = ems("explain", "o", "--at", "3")
    assert ended.code == 1 and "`ems optimum --out` wrote" in ended.err


def test_neither_layout_nor_folder(ems):
    ended = ems("explain", "serie", "--at", "3")
    assert ended.code == 1 and "nearest: series" in ended.err


def test_result_of_explain_can_be_kept(ems, out):
    assert ems("explain", "o", "--at", "3", "--out", "e").code == 0
    assert json.loads(Path("e/result.json").read_text(encoding="utf-8"))["schema"] == "ems.explain/1"


@pytest.mark.parametrize("option", [("--gap", "0.01"), ("--cold",), ("--dwell", "3"), ("--engine-on", "5"), ("--engine-off", "5")])
def test_an_option_that_no_strategy_is_driven_with_is_named(ems, short_trip, option):
    ended = ems("explain", "three-clutch", "--cycle", str(short_trip), "--at", "3", "--strategy", "rules", *option)
    assert ended.code == 2 and option[0] in ended.err
