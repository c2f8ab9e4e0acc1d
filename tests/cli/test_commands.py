"""``new``, ``check``, ``layouts``, ``cycles`` as a user meets them."""

from __future__ import annotations

from pathlib import Path

import pytest

from ems import library


def test_layouts_lists_what_is_shipped(ems):
    ended = ems("layouts")
    assert ended.code == 0 and ended.err == ""
    for name in library.names("layout"):
        assert any(line.startswith(name) for line in ended.out.splitlines())
    rows = {row["name"]: row for row in ems("layouts", "--json").json["layouts"]}
    assert rows["three-clutch"]["actuator_states"] == 24
    assert rows["input-split"]["actuator_states"] == 1
    assert rows["three-clutch"]["machines_kW"] == {"mg1": 75.0, "mg2": 120.0}


def test_keys_are_never_cut_when_piped(ems):
    ended = ems("layouts", "--keys")
    assert "…" not in ended.out
    (line,) = [line for line in ended.out.splitlines() if line.startswith("gears.*.ratio")]
    assert line.endswith("exact as written; negative when the direction turns round")
    assert all(line == line.rstrip() for line in ended.out.splitlines())


def test_cycles_lists_totals(ems):
    ended = ems("cycles")
    (line,) = [line for line in ended.out.splitlines() if line.startswith("wltc-3b ")]
    assert "1800" in line and "23.266" in line      # UN GTR 15: 23,266 m
    named = ems("cycles", "WLTC-3B")
    assert "extra high: 1477 to 1800 s" in named.out and "GTR" in named.out


def test_cycle_of_ones_own_warns_on_stderr(ems):
    Path("mine.csv").write_text(
        "# source: mine\ntime_s,speed_kmh\n" + "".join(f"{t},{0.5 * t}\n" for t in range(60)), encoding="utf-8")
    loud, quiet = ems("cycles", "mine.csv"), ems("cycles", "mine.csv", "--quiet")
    assert loud.code == quiet.code == 0
    assert loud.out == quiet.out and quiet.err == ""
    assert "warning: mine.csv: column speed_kmh" in loud.err and "mine: mine.csv" not in loud.err


def test_new_then_check(ems):
    ended = ems("new", "Three-Clutch", "mine")
    assert (ended.code, ended.err) == (0, "")
    assert "copied to mine.toml" in ended.out
    assert Path("mine.toml").read_bytes() == library.find("layout", "three-clutch", where="").read_bytes()
    checked = ems("check", "mine.toml")
    assert checked.code == 0 and "24 actuator states, 4 tie-ups" in checked.out
    assert "No mistakes in 1 file." in checked.out


def test_new_refuses_to_replace_a_file(ems):
    Path("mine.toml").write_text("precious", encoding="utf-8")
    ended = ems("new", "series", "mine.toml")
    assert ended.code == 1 and "'mine.toml', which exists; expected a new file, or --force" in ended.err
    assert Path("mine.toml").read_text(encoding="utf-8") == "precious"
    assert ems("new", "series", "mine.toml", "--force").code == 0
    assert "Series" in Path("mine.toml").read_text(encoding="utf-8")
    assert [p.name for p in Path.cwd().iterdir()] == ["mine.toml"]


@pytest.mark.parametrize(("words", "text"), [
    (("new", "tree-clutch", "a"), "nearest: three-clutch"),
    (("new", "series", "a.txt"), "a file name that ends in .toml"),
    (("new", "series", "no/such/folder/a.toml"), "No such file or directory"),
    (("new", "series", "sub/a.toml", "--out", "o"), "a plain file name when --out says the folder"),
])
def test_new_says_what_is_wrong(ems, words, text):
    ended = ems(*words)
    assert ended.code == 1 and text in ended.err


@pytest.mark.parametrize(("word", "kind"), [
    ("three-clutch", "layout"), ("NEDC", "cycle"), ("hill-taxi", "vehicle"), ("dedicated-1500", "engine"),
    ("machine-75", "machine"), ("hybrid-1k5", "battery")])
def test_check_of_short_names(ems, word, kind):
    (row,) = ems("check", word, "--json").json["files"]
    assert (row["file"], row["kind"]) == (word, kind)


@pytest.mark.parametrize(("folder", "file", "kind"), [
    ("engine", "dedicated-1500.csv", "engine map"), ("engine", "dedicated-1500-full-load.csv", "full-load curve"),
    ("machine", "machine-75.csv", "machine map"), ("machine", "machine-75-limits.csv", "machine limits"),
    ("battery", "hybrid-1k5.csv", "battery table"), ("battery", "hybrid-1k5.toml", "battery"),
    ("engine", "dedicated-1500.toml", "engine"), ("machine", "machine-75.toml", "machine"),
    ("vehicle", "hill-taxi.toml", "vehicle"), ("cycle", "us06.csv", "cycle"), ("layout", "series.toml", "layout")])
def test_check_recognises_files_by_content(ems, folder, file, kind):
    path = library.folder(folder) / file
    copy = Path(f"some-name{path.suffix}")
    copy.write_bytes(path.read_bytes())
    for csv in path.parent.glob("*.csv"):      # what a component file names stands beside it
        Path(csv.name).write_bytes(csv.read_bytes())
    (row,) = ems("check", str(copy), "--json").json["files"]
    assert row["kind"] == kind


@pytest.mark.parametrize(("kind", "content", "texts"), [
    ("engine map", "speed_rpm,torque_Nm,fuel_g_s\n1000,0,0.1\n1000,50,-0.2\n2000,0,0.2\n",
     ["line 3, column fuel_g_s: found -0.2", "speed_rpm 2000, torque_Nm 50: found no row (a gap in the map)"]),
    ("machine map", "speed_rpm,torque_Nm,electrical_power_W\n0,-10,1\n0,0,1\n0,10,1\n1000,-10,1\n1000,0,1\n1000,10,1\n",
     ["line 7, column electrical_power_W", "above one"]),
    ("full-load curve", "speed_rpm,full_load_Nm\n1000,90\n900,-3\n", ["line 3, column speed_rpm", "more than zero"]),
    ("machine limits", "speed_rpm,peak_Nm,continuous_Nm\n0,100,120\n5000,50,30\n",
     ["line 2, column continuous_Nm: found 120; expected at most the peak, 100"]),
    ("battery table", "soc,voltage_V,resistance_discharge_ohm,resistance_charge_ohm\n0.2,300,0.1,0.1\n0.1,-1,0.1,0.1\n",
     ["line 3, column soc", "line 3, column voltage_V"]),
    ("cycle", "time_s,speed_kmh\n0,0\n1,nan\n0.5,3\n", ["line 3, column speed_kmh: found 'nan'", "line 4"]),
    ("engine map with a gap in its header", "speed_rpm,torqe_Nm,fuel_g_s\n1,2,3\n", ["nearest: torque_Nm"]),
])
def test_check_lists_mistakes_in_csv_files(ems, kind, content, texts):
    Path("mine.csv").write_text(content, encoding="utf-8")
    ended = ems("check", "mine.csv")
    assert (ended.code, ended.out) == (1, "")
    for text in texts:
        assert text in ended.err
    assert all(line.startswith("mine.csv: ") or line.endswith(" mistakes") for line in ended.err.splitlines())


@pytest.mark.parametrize(("file", "content", "text"), [
    ("a.toml", b"colour = 3\n", "found keys colour; expected the keys of a layout"),
    ("a.csv", b"x,y\n1,2\n", "found columns x, y; expected cycle: time_s"),
    ("a.csv", b"\x00\xff\xfe", "UTF-8"), ("a.toml", b"", "an empty file"), ("a.csv", b"# only\n", "columns (none)"),
    ("a.pdf", b"x", "one of .toml, .csv"), ("folder.csv", None, "found a folder; expected an existing file")])
def test_check_of_something_else(ems, file, content, text):
    if content is None:
        Path(file).mkdir()
    else:
        Path(file).write_bytes(content)
    ended = ems("check", file)
    assert ended.code == 1 and text in ended.err


def test_check_of_a_huge_file(ems):
    with Path("big.csv").open("wb") as file:
        file.truncate(100_000_000)
    ended = ems("check", "big.csv")
    assert ended.code == 1 and "100 MB (not read)" in ended.err


def test_layout_where_every_state_is_a_tie_up(ems):
    Path("stuck.toml").write_text(
        'name = "stuck"\nvehicle = "hill-taxi"\nbattery = "hybrid-1k5"\naxles.front.shaft = "diff"\n'
        'engine = { shaft = "crank", map = "dedicated-1500" }\n'
        'gears.a = { from = "crank", to = "diff", ratio = 3 }\ngears.b = { from = "crank", to = "diff", ratio = 4 }\n',
        encoding="utf-8")
    ended = ems("check", "stuck.toml")
    assert ended.code == 1 and "lock the wheels" in ended.err
