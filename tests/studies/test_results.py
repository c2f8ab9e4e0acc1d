"""What is made of a study's table: best, fronts, means over cycles, marks, files."""

from __future__ import annotations

import random

import numpy as np
import pandas as pd
import pytest

import ems
from ems.errors import InputError
from ems.present.study_figures import map_cells, plot_map, plot_pareto
from ems.present.study_page import study_page
from ems.studies.results import Study
from ems.studies.run import run_study

REQUIRE = {"fuel_l_per_100km": {"below": 5.0}}


def row(case: int, cycle: str, ratio: float, mass: int, fuel: float | None, other: float | None = 1.0, **more) -> dict:
    return {"case": case, "layout": "three-clutch", "cycle": cycle, "gears.first.ratio": ratio, "vehicle.mass_kg": mass,
            "fuel_l_per_100km": fuel, "other": other, "status": "done" if fuel is not None else "failed", "message": "",
            "meets": None if fuel is None else fuel < 5.0, "broken": "", "seconds": 1.0, **more}


def study(rows: list[dict]) -> Study:
    return Study(None, "a <study> & more", "what <b>it</b> asks", "name = 'x'", ("optimum",), ("gears.first.ratio", "vehicle.mass_kg"),
                 ("fuel_l_per_100km", "other"), REQUIRE, {"three-clutch": {"vehicle": "invented"}, "cycles": {"udds": "EPA"}},
                 {"ems": "0"}, tuple(rows))


@pytest.fixture(scope="module")
def many() -> Study:
    chance = random.Random(3)
    return study([row(n, ("udds", "nedc")[n % 2], 2.0 + n // 2 % 5, 1800 + 100 * (n // 10), round(chance.uniform(3, 6), 2),
                      round(chance.uniform(0, 1), 1)) for n in range(60)])


@pytest.mark.parametrize("most", [(), ("other",), ("fuel_l_per_100km", "other")])
def test_front_is_what_its_definition_says(many, most):
    # Pareto: a case is on the front when no other is at least as good in both and better in one
    sign = [-1 if c in most else 1 for c in ("fuel_l_per_100km", "other")]
    points = [(sign[0] * r["fuel_l_per_100km"], sign[1] * r["other"]) for r in many.rows if r["meets"]]
    front = {p for p in points if not any(q[0] <= p[0] and q[1] <= p[1] and q != p for q in points)}
    found = [(sign[0] * r["fuel_l_per_100km"], sign[1] * r["other"]) for r in many.pareto("fuel_l_per_100km", "other", most=most).rows]
    assert set(found) == front and found == sorted(front)


def test_best_are_sorted_and_meet_what_is_required(many):
    best = many.best("fuel_l_per_100km", most=True, count=4).rows
    fit = sorted((r["fuel_l_per_100km"] for r in many.rows if r["meets"]), reverse=True)
    assert [r["fuel_l_per_100km"] for r in best] == fit[:4]
    with pytest.raises(InputError, match=r"'fuel_l'.*nearest: fuel_l_per_100km"):
        many.best("fuel_l")


def test_means_over_cycles_agree_with_pandas(many):
    frame = many.to_frame()
    expected = frame.groupby(["gears.first.ratio", "vehicle.mass_kg"])["fuel_l_per_100km"].mean()
    across = many.across_cycles()
    assert len(across.rows) == len(expected) == 30
    for r in across.rows:
        assert r["fuel_l_per_100km"] == pytest.approx(expected[r["gears.first.ratio"], r["vehicle.mass_kg"]], rel=1e-14)
        assert r["fuel_l_per_100km"] == pytest.approx((r["fuel_l_per_100km@udds"] + r["fuel_l_per_100km@nedc"]) / 2)
    assert across.pareto("fuel_l_per_100km@udds", "fuel_l_per_100km@nedc").rows


def test_a_variation_that_failed_on_one_cycle_has_no_mean():
    across = study([row(1, "udds", 2.0, 1800, 4.0), row(2, "nedc", 2.0, 1800, None), row(3, "udds", 3.0, 1800, 4.0),
                    row(4, "nedc", 3.0, 1800, 6.0)]).across_cycles()
    assert [(r["status"], r["fuel_l_per_100km"], r["meets"]) for r in across.rows] == [("failed", None, None), ("done", 5.0, False)]


def test_map_takes_the_least_of_what_else_varies(many):
    cells, xs, ys = map_cells(many, "gears.first.ratio", "vehicle.mass_kg", "fuel_l_per_100km")
    frame = many.to_frame()
    frame = frame[frame["meets"]]
    expected = frame.pivot_table(index="vehicle.mass_kg", columns="gears.first.ratio", values="fuel_l_per_100km", aggfunc="min")
    expected = expected.reindex(index=ys, columns=xs)
    assert np.array_equal(cells, expected.to_numpy(), equal_nan=True)


def test_figures_say_what_they_show(many):
    ax = plot_pareto(many, "fuel_l_per_100km", "other", most=["other"])
    assert ax.get_xlabel() == "fuel_l_per_100km [l/100 km]" and ax.get_ylabel() == "other, more is better"
    assert any("that break a requirement" in t.get_text() for t in ax.get_legend().get_texts())
    assert plot_map(many, "gears.first.ratio", "vehicle.mass_kg", "fuel_l_per_100km").get_ylabel() == "vehicle.mass_kg [kg]"


def test_the_cases_of_a_sample_are_dots_at_their_places():
    fuel = [4.1, 4.3, 6.0, 4.2, 4.4, 4.6, 4.5, 4.7]      # one breaks what is required
    rows = [row(n, "udds", 2.0 + n / 7.0, 1800 + 13 * n % 5, fuel[n - 1]) for n in range(1, 9)]
    ax = plot_map(study(rows), "gears.first.ratio", "vehicle.mass_kg", "fuel_l_per_100km")
    drawn = {tuple(map(float, spot)) for dots in ax.collections for spot in dots.get_offsets()}
    assert drawn == {(r["gears.first.ratio"], r["vehicle.mass_kg"]) for r in rows}


def test_page_escapes_what_users_write_and_fetches_nothing(many):
    page = study_page(many)
    assert "a &lt;study&gt; &amp; more" in page and "what &lt;b&gt;it" in page and "not a type-approval figure" in page
    assert page.count('class="plot broad"') == page.count('class="plot narrow"') == 2
    assert "http://" not in page and "https://" not in page and "<script" not in page


def test_table_to_pandas_csv_and_parquet(write, tmp_path):
    run_study(str(write(cases=3, more="[require]\nanswer = { at_most = 640.8 }\n")), tmp_path / "out")
    found = ems.load_study(tmp_path / "out")
    frame = found.to_frame()
    assert list(frame.index) == [1, 2, 3] and list(frame["meets"]) == [True, True, False]
    assert list(frame["broken"]) == ["", "", "answer 641, not <= 640.8"]
    assert frame["answer"].tolist() == [(1500.0 + n) / 3.0 + 140.0 for n in (1, 2, 3)]
    frame.to_csv(tmp_path / "t.csv")
    pd.testing.assert_frame_equal(pd.read_csv(tmp_path / "t.csv", index_col=0)[["answer"]], frame[["answer"]])
    pytest.importorskip("pyarrow")
    frame.to_parquet(tmp_path / "t.parquet")
    assert pd.read_parquet(tmp_path / "t.parquet")["answer"].tolist() == frame["answer"].tolist()


def test_a_folder_without_a_study_is_a_clear_mistake(tmp_path):
    with pytest.raises(InputError, match="found no study; expected a folder that `ems batch run` filled"):
        ems.load_study(tmp_path)


def test_a_requirement_is_judged_anew_without_solving(write, tmp_path):
    run_study(str(write(cases=3)), tmp_path / "out")
    assert run_study(str(write(cases=3, more="[require]\nanswer = { above = 640.5, below = 640.9 }\n")), tmp_path / "out").solved == 0
    assert [r["meets"] for r in ems.load_study(tmp_path / "out").rows] == [False, True, False]
