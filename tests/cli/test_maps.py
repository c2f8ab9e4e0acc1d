"""``ems maps``: what is shipped, one in full, a user's own checked and drawn; every mistake in one go."""

from __future__ import annotations

from pathlib import Path

import pytest

from ems import library

BENCH = library.data_root() / "maps" / "engines" / "bench-1500.csv"


def test_lists_everything_shipped(ems):
    ended = ems("maps")
    assert (ended.code, ended.err) == (0, "")
    for kind in ("engine", "machine", "battery", "vehicle"):
        for name in library.names(kind):
            assert any(line.split()[:2] == [kind, name] for line in ended.out.splitlines()), name
    rows = ems("maps", "--json").json["maps"]
    assert {"petrol-e0", "petrol-e5", "diesel-en590"} == {r["name"] for r in rows if r["kind"] == "fuel"}
    assert all(r["invented"] != (r["kind"] == "fuel") for r in rows)


def test_one_in_full(ems):
    out = ems("maps", "Dedicated-1500", "hill-taxi").out
    assert "best fuel                  210.8  g/kWh" in out and "axle front: 58 % of the weight, grip 9730 N" in out
    assert "road load at 100 km/h    625  N" in out and "invented: yes" in out
    (row,) = ems("maps", "chargeable-18k", "--json").json["maps"]
    assert row["discharge_10s_at_target_kW"] == 58.6 and row["discharge_2s_at_target_kW"] == 66.6 and row["temperature_C"] == 25
    (bench,) = ems("maps", "bench-1500", "--json", "--quiet").json["maps"]
    assert "166 bench points made a grid of 31 x 41; error at the points" in bench["notes"][0]


def test_draws_into_a_folder_the_same_every_time(ems):
    loud = ems("maps", "hill-taxi", str(BENCH), "--scattered", "--out", "o")
    assert loud.code == 0 and "wrote 5 files to o" in loud.err
    names = ["bench-1500.png", "bench-1500.svg", "hill-taxi.png", "hill-taxi.svg", "result.json"]
    assert sorted(p.name for p in Path("o").iterdir()) == names
    assert Path("o/bench-1500.png").read_bytes().startswith(b"\x89PNG")
    svg = Path("o/bench-1500.svg").read_text()
    assert "full load" in svg and "least fuel for each power" in svg and "bench points made a grid" in svg
    first = {n: (Path("o") / n).read_bytes() for n in names}
    assert ems("maps", "hill-taxi", str(BENCH), "--scattered", "--out", "o", "--force", "--quiet").code == 0
    assert {n: (Path("o") / n).read_bytes() for n in names} == first
    assert ems("maps", "hill-taxi", "--out", "o").code == 1


def test_two_of_one_name_have_two_files(ems):
    assert ems("maps", "hill-taxi", "hill-taxi", "--out", "o").code == 0
    assert {"hill-taxi.svg", "hill-taxi-2.svg"} <= {p.name for p in Path("o").iterdir()}


def test_a_map_alone(ems):
    Path("mine.csv").write_bytes(BENCH.read_bytes())
    refused = ems("maps", "mine.csv")
    assert refused.code == 1 and "which fill no rectangle" in refused.err and "--scattered" in refused.err
    told = ems("maps", "mine.csv", "--scattered")
    assert told.code == 0 and "with --out DIR it is drawn as well" in told.err
    assert "full load not given, taken where it ends" in told.out and "best fuel            210.7  g/kWh" in told.out
    Path("m.csv").write_bytes((library.data_root() / "maps" / "machines" / "machine-75.csv").read_bytes())
    (machine,) = ems("maps", "m.csv", "--json").json["maps"]
    assert machine["kind"] == "machine" and machine["best_driving_percent"] == pytest.approx(95.73, abs=0.02)
    assert machine["peak_time_s"] is None


def test_every_mistake_of_every_file(ems):
    Path("a.csv").write_text("speed_rpm,torque_Nm,fuel_g_s\n1000,0,0.1\n1000,50,-1\n2000,0,x\n2000,50,0.8\n")
    Path("b.csv").write_text("speed_rpm,torque_Nm,loss_W\n0,-10,5\n0,0,5\n0,10,-5\n100,-10,5\n100,10,5\n100,0,5\n")
    Path("c.csv").write_text("speed_rpm,full_load_Nm\n1000,50\n900,60\n")
    Path("d.csv").write_text("speed_rpm,full_load_Nm\n900,50\n1000,60\n")
    ended = ems("maps", "a.csv", "b.csv", "c.csv", "d.csv", "e.toml", "hil-taxi")
    lines = ended.err.splitlines()
    assert ended.code == 1 and [line.split(": found")[0] for line in lines[:-1]] == [
        "a.csv: line 4, column fuel_g_s", "a.csv: line 3, column fuel_g_s", "b.csv: line 4, column loss_W",
        "c.csv: line 3, column speed_rpm", "d.csv", "e.toml", "MAP"]
    assert lines[-1] == "7 mistakes" and "nearest: hill-taxi" in lines[-2]
    as_json = ems("maps", "b.csv", "--json")
    assert as_json.code == 1 and as_json.json["errors"][0]["key"] == "line 4, column loss_W"


def test_a_layout_is_no_map(ems):
    assert ems("new", "series", "mine.toml").code == 0
    ended = ems("maps", "mine.toml")
    assert ended.code == 1 and "found a layout; expected the TOML file of one of engine, machine" in ended.err


def test_keys_of_component_files(ems):
    rows = {(r["kind"], r["key"]): r for r in ems("maps", "--keys", "--json").json["keys"]}
    assert rows["engine", "minimum_on_s"] == {
        "kind": "engine", "key": "minimum_on_s", "takes": "number", "unit": "s", "bounds": ">= 0, <= 600", "default": "0",
        "required": False, "meaning": "least time it runs after a start"}
    assert rows["engine", "cold.heat_share"]["bounds"] == "> 0, < 1" and rows["engine", "cold.curve"]["required"]
    assert rows["vehicle", "axles.*.regeneration_m_s2"]["unit"] == "m/s2" and rows["fuel", "co2_g_l"]["unit"] == "g/l"
    assert all(r["meaning"] and (r["unit"] != "-" or not r["key"].endswith(("_W", "_kW", "_s", "_kg"))) for r in rows.values())
    assert "--set battery.temperature_C=-10" in ems("maps", "--keys").out
