"""``ems batch``: a real study of a few optima, from the file to the table."""

from __future__ import annotations

from pathlib import Path

import pytest

import ems as package

WHOLE = Path(__file__).parent.parent / "data" / "short-trip.csv"
STUDY = """
name = "Two batteries' ends"
layouts = "series"
cycles = "trip.csv"
[vary]
charge = ["0.55:0.55", "0.6:0.55"]
battery.discharge_limit_kW = [50, 40]
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """The study, solved once by one worker."""
    place = tmp_path_factory.mktemp("batch")
    begun = WHOLE.read_text(encoding="utf-8").splitlines(keepends=True)[:3 + 50]        # to the first stop: four quick optima
    (place / "trip.csv").write_text("".join(begun), encoding="utf-8")
    (place / "study.toml").write_text(STUDY, encoding="utf-8")
    ran = package.run_study(str(place / "study.toml"), place / "out", workers=1)
    assert (ran.status, ran.cases) == ("done", 4)
    return place


def test_a_case_has_the_bits_of_the_optimum_itself(folder):
    (first, *_), second = package.load_study(folder / "out").rows, package.load_study(folder / "out").rows[2]
    layout = package.load_layout("series", overrides=("battery.discharge_limit_kW=50",))
    cycle = package.load_cycle(str(folder / "trip.csv"))
    for row, charge in ((first, (0.55, 0.55)), (second, (0.6, 0.55))):
        alone = package.optimum(layout, cycle, charge=charge)
        for name in ("fuel_g", "lower_bound_g", "costate", "table_error_percent"):
            assert row[name] == getattr(alone, name), name


def test_the_columns_told_are_those_an_optimum_has(folder):
    from ems.studies.solvers import SOLVERS, flat

    alone = package.optimum(package.load_layout("series"), package.load_cycle(str(folder / "trip.csv"))).to_dict()
    assert set(SOLVERS["optimum"].columns) <= set(alone) and set(SOLVERS["optimum"].groups) <= set(alone)
    assert all(isinstance(flat(alone)[name], int | float) for name in SOLVERS["optimum"].columns)


def test_dry_run_counts_and_writes_nothing(ems, folder, tmp_path):
    ended = ems("batch", "run", str(folder / "study.toml"), "--dry-run")
    assert ended.code == 0 and "4 cases, 4 of them different" in ended.out and "battery.discharge_limit_kW: 50, 40" in ended.out
    assert list(tmp_path.iterdir()) == []
    told = ems("batch", "run", "ratios", "--dry-run", "--json").json
    assert told["schema"] == "ems.batch/1" and told["cases"] == told["different"] > 200 and len(told["cycles"]) == 3


def test_run_again_has_nothing_to_do(ems, folder):
    ended = ems("batch", "run", str(folder / "study.toml"), "--out", str(folder / "out"))
    assert ended.code == 0 and "nothing was left to solve" in ended.out
    told = ems("batch", "run", str(folder / "study.toml"), "--out", str(folder / "out"), "--json").json
    assert (told["schema"], told["status"], told["cases"], told["left"], told["solved"]) == ("ems.batch/1", "done", 4, 0, 0)


def test_show_prints_and_writes(ems, folder, tmp_path):
    ended = ems("batch", "show", str(folder / "out"), "--best", "fuel_l_per_100km")
    assert ended.code == 0 and "Least fuel_l_per_100km" in ended.out and "not a type-approval figure" in ended.out
    assert ems("batch", "show", str(folder / "out"), "--csv").out.startswith("case,layout,cycle,charge,battery.discharge_limit_kW,fuel_l")
    told = ems("batch", "show", str(folder / "out"), "--pareto", "fuel_g", "engine_starts", "--json").json
    assert told["pareto"] and len(told["rows"]) == 4 and told["counts"]["open"] == 0
    pytest.importorskip("pyarrow")
    ended = ems("batch", "show", str(folder / "out"), "--best", "fuel_g", "--pareto", "fuel_g", "engine_starts:max", "--map", "charge",
                "battery.discharge_limit_kW", "fuel_g", "--parquet", "--report", "--out", "shown")
    assert ended.code == 0
    assert {p.name for p in (tmp_path / "shown").iterdir()} == {
        "result.json", "table.csv", "best.csv", "pareto.csv", "pareto.png", "map.png", "table.parquet", "report.html"}


@pytest.mark.parametrize("words, code, said", [
    (("run", "ratios"), 2, "--out: found nothing; expected --out DIR, where the results go"),
    (("run", "ratio", "--dry-run"), 1, "(nearest: ratios)"),
    (("run", "ratios", "--out", "x", "--workers", "1", "--cluster", "y"), 2, "one of them"),
    (("show", "nowhere"), 1, "found no study"),
])
def test_wrong_words_are_told(ems, words, code, said):
    ended = ems("batch", *words)
    assert ended.code == code and said in ended.err


@pytest.mark.parametrize("words, said", [
    (("--best", "fuel"), "--best: found 'fuel'"), (("--pareto", "fuel_g", "starts"), "--pareto: found 'starts'"),
    (("--column", "fuel"), "--column: found 'fuel'"), (("--trip", "1"), "keep.trace = true"),
    (("--map", "mass", "charge", "fuel_g", "--out", "x"), "--map: found 'mass'"),
])
def test_wrong_columns_are_told(ems, folder, words, said):
    ended = ems("batch", "show", str(folder / "out"), *words)
    assert ended.code == 1 and said in ended.err
