"""``ems optimum``: what it says, what it writes, how it fails."""

from __future__ import annotations

import csv
import json
import math
import re
import signal
import subprocess
import sys
import time
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

SHORT_TRIP = Path(__file__).parents[1] / "data" / "short-trip.csv"

CONTRACT = {
    "schema", "status", "warnings", "layout", "cycle", "duration_s", "distance_km", "soc_start", "soc_end", "surplus_J",
    "fuel_g", "price_g", "objective_g", "fuel_l_per_100km", "co2_g_per_km", "lower_bound_g", "gap_percent",
    "table_error_percent", "costate", "costate_segments", "engine_starts", "configuration_changes", "time_share",
    "losses_kJ", "energy_residual_percent", "floor_l_per_100km", "grid", "compile_s", "tables_s", "solve_s",
    "certificate_s",
}


def numbers(value):
    """Every number in a JSON value."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [n for v in value for n in numbers(v)]
    return [value] if isinstance(value, int | float) and not isinstance(value, bool) else []


def refuse(constant):
    raise AssertionError(f"{constant} in JSON")


@pytest.fixture
def short_trip() -> Path:
    return SHORT_TRIP


@pytest.fixture
def out(ems, short_trip):
    """The folder that a run with everything wrote."""
    ended = ems("optimum", "three-clutch", "--cycle", str(short_trip), "--out", "o", "--tables", "--json")
    assert ended.code == 0, ended.err
    return Path("o")


def test_json_has_the_keys_of_the_contract_and_no_nan(ems, short_trip):
    ended = ems("optimum", "three-clutch", "--cycle", str(short_trip), "--json")
    assert ended.code == 0, ended.err
    result = json.loads(ended.out, parse_constant=refuse)
    assert set(result) >= CONTRACT
    assert result["schema"] == "ems.optimum/1" and result["status"] == "done"
    assert result["layout"] == "three-clutch" and result["cycle"] == "short-trip" and result["duration_s"] == 140.0
    assert all(math.isfinite(n) for n in numbers(result)) and all(result[k] is not None for k in CONTRACT)
    assert result["lower_bound_g"] <= result["objective_g"] == pytest.approx(result["fuel_g"] + result["price_g"])
    assert sum(result["time_share"].values()) == pytest.approx(1.0)
    assert result["fuel_l_per_100km"] > result["floor_l_per_100km"] > 0.0


def test_text_says_what_the_json_says(ems, short_trip):
    words = ("optimum", "three-clutch", "--cycle", str(short_trip))
    result, ended = ems(*words, "--json").json, ems(*words, "--quiet")
    assert ended.err == ""
    text = ended.out
    for figure in (
        f"{result['fuel_l_per_100km']:.3f} l/100 km", f"{result['co2_g_per_km']:.1f} g/km",
        f"{result['fuel_g']:.2f} g over {result['distance_km']:.2f} km", f"{result['soc_start']:.4f} at the start",
        f"{result['soc_end']:.4f} at the end", f"{result['floor_l_per_100km']:.3f} l/100 km, which no layout",
        f"{result['costate']:.3f} units of fuel energy",
    ):
        assert figure in text
    for label, share in result["time_share"].items():
        lines = [line for line in text.splitlines() if line.startswith(f"  {label} ")]
        assert len(lines) == 1 and f" {100 * share:.1f} %" in lines[0]
    for value in result["losses_kJ"].values():
        assert f" {value:.1f} " in text or value < 0.05
    assert "not a type-approval figure" in text and f"`ems explain three-clutch --cycle {short_trip} --at T`" in text
    assert text.index("l/100 km") < text.index("share of time") < text.index("where the energy went")


def test_a_battery_that_is_overdrawn_is_told(ems, short_trip):
    """With its data hardly any power lasts: seconds and the pulse in JSON and text alike; as shipped there is nothing to tell."""
    weak = ("--set", "battery.discharge_continuous_kW=0.5", "--set", "battery.discharge_limit_kW=25", "--set", "battery.discharge_2s_kW=26")
    words = ("optimum", "series", "--cycle", str(short_trip), "--quiet")
    told = ems(*words, *weak, "--json").json["battery_use"]
    assert told["overdrawn_s"] > 0 and told["above_continuous_s"] > 0 and told["above_2s_s"] == 0
    line = (f"{told['above_continuous_s']:.0f} s above its continuous power, up to {told['pulse_use_percent']:.0f} % of its ten-second "
            f"pulse in use: for {told['overdrawn_s']:.0f} s more than its data promise")
    assert line in ems(*words, *weak).out
    assert "above its continuous power" not in ems(*words).out


def test_energy_in_the_text_closes_to_the_fuel_energy(ems, short_trip):
    text = ems("optimum", "series", "--cycle", str(short_trip), "--quiet").out
    table = text.split("where the energy went")[1].split("unexplained")[0].splitlines()[1:]
    values = [float(found[1]) for line in table if (found := re.search(r"  +(-?[0-9]+\.[0-9])(?= |$)", line))]
    assert len(values) > 8 and sum(values[:-1]) == pytest.approx(values[-1], abs=0.05 * len(values))


def test_the_cycle_taken_is_said_when_none_is_given(ems, monkeypatch, short_trip):
    monkeypatch.setattr("ems.cli.case.DEFAULT_CYCLE", str(short_trip))
    assert "short-trip (no --cycle given, so this one)" in ems("optimum", "series", "--quiet").out


def test_out_holds_result_trace_figure_and_tables(out, ems, short_trip):
    result = json.loads((out / "result.json").read_text(encoding="utf-8"), parse_constant=refuse)
    assert set(result["files"]) == {"trace.csv", "figure.png", "trip.npz", "tables.npz"}
    assert {p.name for p in out.iterdir()} == {"result.json", *result["files"]}
    assert all(sha256((out / n).read_bytes()).hexdigest() == digest for n, digest in result["files"].items())
    assert (out / "figure.png").read_bytes().startswith(b"\x89PNG")
    assert result["inputs"]["layout"] == "three-clutch"
    cycle = Path(result["inputs"]["cycle"])                 # seen from the folder, or the name alone: no path of the machine
    assert cycle.name == short_trip.name and not cycle.is_absolute()
    assert len(result["inputs"]["layout_digest"]) == 64 and all(result["sources"].values())
    with (out / "trace.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 140 and float(rows[-1]["time_s"]) == 139.0
    fuel_g = sum(float(r["fuel_g_s"]) + float(r["transition_fuel_g"]) for r in rows)
    assert fuel_g == pytest.approx(result["fuel_g"], rel=1e-9)
    assert {float(r["K1"]) for r in rows} <= {0.0, 1.0} and {r["S1"] for r in rows} <= {"first", "third", "neutral"}
    assert float(rows[-1]["soc_end"]) == pytest.approx(result["soc_end"], abs=1e-9)


def test_tables_tell_the_whole_problem(out):
    result = json.loads((out / "result.json").read_text(encoding="utf-8"))
    with np.load(out / "tables.npz", allow_pickle=False) as t:
        arrays = {name: t[name] for name in t.files}
    K, N = arrays["dt_s"].size, arrays["node_configuration"].size
    assert arrays["stored_J"].shape == (K, N + 1, N) and arrays["fixed_g"].shape == (N + 1, N)
    node, energy_J = arrays["optimum_node"], arrays["optimum_energy_J"]
    before = np.concatenate(([N], node[:-1]))
    for k in range(K):                        # every step of the optimum is one of the tables' points
        demand = arrays["demand_of"][k]
        first, count = arrays["first"][demand, node[k]], arrays["count"][demand, node[k]]
        assert count > 0
        start_J = energy_J[k] - arrays["stored_J"][k, before[k], node[k]]
        soc = soc_of(arrays, start_J)
        V = np.interp(soc, arrays["battery_soc"], arrays["battery_voltage_V"])
        P = arrays["power_W"][first:first + count]
        R = np.where(P > 0, np.interp(soc, arrays["battery_soc"], arrays["battery_discharge_ohm"]),
                     np.interp(soc, arrays["battery_soc"], arrays["battery_charge_ohm"]))
        inside = 2.0 * P / (1.0 + np.sqrt(np.maximum(1.0 - 4.0 * P * R / V**2, 0.0)))
        assert np.abs(start_J - inside * arrays["dt_s"][k] - energy_J[k + 1]).min() < 1.0
    assert arrays["fixed_g"][before, node].sum() <= result["objective_g"]
    assert energy_J[0] == pytest.approx(float(arrays["start_J"]), abs=1.0)
    assert energy_J[-1] >= float(arrays["target_J"]) - 1.0


def soc_of(t, energy_J):
    """State of charge for stored energy: energy is the integral of voltage, in straight lines, over charge."""
    fine = np.linspace(t["battery_soc"][0], t["battery_soc"][-1], 200_001)
    V = np.interp(fine, t["battery_soc"], t["battery_voltage_V"])
    volts = np.concatenate(([0.0], np.cumsum(0.5 * (V[1:] + V[:-1]) * np.diff(fine))))
    energy = volts * float(t["battery_capacity_As"])
    return np.interp(energy_J, energy + t["battery_energy_J"][0], fine)


def test_a_second_run_into_the_folder_needs_force(out, ems, short_trip):
    words = ("optimum", "three-clutch", "--cycle", str(short_trip), "--out", "o")
    before = (out / "result.json").read_bytes()
    refused = ems(*words)
    assert refused.code == 1 and "--force" in refused.err and refused.out == ""
    assert (out / "result.json").read_bytes() == before
    assert ems(*words, "--force").code == 0
    assert {p.name for p in out.iterdir()} == {"result.json", "trace.csv", "figure.png", "trip.npz"}   # no tables this time


def test_tables_without_a_folder_is_wrong_usage(ems):
    ended = ems("optimum", "three-clutch", "--tables")
    assert ended.code == 2 and "--out DIR" in ended.err


@pytest.mark.parametrize("word, place, remedy", [
    ("0.5", "--charge", "START:END"), ("0.5:0.6:0.7", "--charge", "START:END"), ("a:b", "--charge", "as 0.7:0.5"),
    ("", "--charge", "START:END"), ("55:50", "--charge: start", "if percent is meant: 0.55"),
    ("nan:0.5", "--charge: start", "from 0 to 1"), ("0.5:-0.1", "--charge: end", "from 0 to 1"),
    ("0.9:0.5", "--charge: start: found 0.9", "window of battery"),
    ("0.5:0.1", "--charge: end: found 0.1", "0.35 to 0.75"),
])
def test_a_bad_charge_says_what_is_wrong(ems, word, place, remedy):
    ended = ems("optimum", "three-clutch", "--charge", word)
    assert ended.code == 1 and ended.out == ""
    assert place in ended.err and remedy in ended.err and "Traceback" not in ended.err


def test_mistakes_of_layout_cycle_and_charge_come_together(ems):
    ended = ems("optimum", "three-clutsch", "--cycle", "wltc-3x", "--charge", "x", "--json")
    assert ended.code == 1
    assert [e["where"] for e in ended.json["errors"]] == ["LAYOUT", "--cycle", "--charge"]
    assert [e["nearest"] for e in ended.json["errors"]][:2] == ["three-clutch", "wltc-3b"]


def test_other_ends_of_charge(ems, short_trip):
    result = ems("optimum", "three-clutch", "--cycle", str(short_trip), "--charge", "0.6:0.5", "--json").json
    assert result["soc_start"] == pytest.approx(0.6) and result["soc_end"] >= 0.5 - 1e-9
    sustained = ems("optimum", "three-clutch", "--cycle", str(short_trip), "--json").json
    assert result["objective_g"] < sustained["objective_g"]


def test_a_cycle_nobody_can_follow_ends_with_3(ems):
    rows = [f"{t},{v}" for t, v in enumerate([0, 0, *range(20, 400, 20), *range(400, 0, -20), 0])]
    text = "\n".join(["# source: invented", "time_s,speed_kmh", *rows]) + "\n"
    Path("rocket.csv").write_text(text, encoding="utf-8")
    ended = ems("optimum", "three-clutch", "--cycle", "rocket.csv", "--out", "o")
    assert ended.code == 3 and ended.out == "" and "cannot follow rocket" in ended.err and "kW short" in ended.err
    assert not Path("o").exists()
    told = ems("optimum", "three-clutch", "--cycle", "rocket.csv", "--json", "--quiet").json
    assert told["status"] == "error" and told["shortfall"]["short_kW"] > 0.0 and told["shortfall"]["limit"]
    assert 0.0 <= told["shortfall"]["time_s"] < 45.0 and told["shortfall"]["seconds"] >= 1.0


def test_progress_goes_to_stderr_and_quiet_silences_it(ems, short_trip):
    words = ("optimum", "three-clutch", "--cycle", str(short_trip))
    told, quiet = ems(*words), ems(*words, "--quiet")
    assert told.err != "" and quiet.err == "" and told.out.splitlines()[2] == quiet.out.splitlines()[2]


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize("delay_s", [0.5, 1.5, 2.5])
def test_a_killed_run_leaves_nothing_half_written(short_trip, tmp_path, delay_s):
    folder = tmp_path / "o"
    process = subprocess.Popen([sys.executable, "-m", "ems", "optimum", "three-clutch", "--cycle", str(short_trip),
                                "--out", str(folder), "--tables"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(delay_s)
    process.send_signal(signal.SIGKILL)
    process.wait()
    found = folder.iterdir() if folder.exists() else ()
    written = {p.name for p in found if not p.name.startswith(".ems-writing-")}
    if "result.json" in written:
        files = json.loads((folder / "result.json").read_text(encoding="utf-8"))["files"]
        assert all(sha256((folder / n).read_bytes()).hexdigest() == files[n] for n in written - {"result.json"})
    else:
        assert written == set()
