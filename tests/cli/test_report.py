"""``ems report`` and ``ems optimum --report``: where the page goes, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from ems import __version__

SHORT_TRIP = str(Path(__file__).parents[1] / "data" / "short-trip.csv")


def test_page_beside_a_result_and_again(ems, tmp_path):
    done = ems("optimum", "three-clutch", "--cycle", SHORT_TRIP, "--out", "run", "--report", "--quiet")
    assert done.code == 0, done.err
    page = tmp_path / "run" / "report.html"
    first = page.read_text(encoding="utf-8")
    assert len(first) < 5e6 and "http://www.w3.org/2000/svg" in first
    assert not [word for word in ("https://", "src=", "@import", "url(http") if word in first.replace('xmlns="http', "")]
    page.unlink()
    again = ems("report", "run", "--json")
    assert again.code == 0, again.err
    assert "costate" not in again.err and "tables" not in again.err        # nothing is solved
    assert page.read_text(encoding="utf-8") == first
    assert again.json["bytes"] == len(first.encode())
    listed = json.loads((tmp_path / "run" / "result.json").read_text())
    assert listed["schema"] == "ems.optimum/1" and "report.html" in listed["files"] and "trace.csv" in listed["files"]


def test_a_result_and_its_page_tell_nothing_of_the_machine(ems, tmp_path):
    """The layout by its whole path, the cycle from another branch of the disk; both are found again."""
    assert ems("new", "series", "mine.toml", "--quiet").code == 0
    done = ems("optimum", str(tmp_path / "mine.toml"), "--cycle", SHORT_TRIP, "--out", "run", "--report", "--quiet")
    assert done.code == 0, done.err
    written = [(tmp_path / "run" / name).read_text(encoding="utf-8") for name in ("result.json", "report.html")]
    inputs = json.loads(written[0])["inputs"]
    assert inputs["layout"] == "../mine.toml" and inputs["cycle"].endswith("short-trip.csv") and not Path(inputs["cycle"]).is_absolute()
    assert not [text for text in written if str(tmp_path) in text or str(Path(SHORT_TRIP).parent) in text]
    assert "counted_as_zero" in written[0]
    with np.load(tmp_path / "run" / "trip.npz") as kept:
        carried = [str(kept[name]) for name in ("layout", "cycle")]
    assert not [text for text in carried if str(tmp_path) in text or str(Path(SHORT_TRIP).parent) in text]


def strip(path):
    """A ``trip.npz`` as versions wrote it that carried no inputs."""
    with np.load(path) as kept:
        arrays = {name: kept[name] for name in kept.files if name not in ("layout", "cycle")}
    np.savez_compressed(path, **arrays)


def test_a_folder_carries_its_own_inputs(ems, tmp_path):
    """It is drawn from them when a file has changed or is gone; an older folder that has none says which file it was."""
    Path("own.csv").write_text(Path(SHORT_TRIP).read_text(encoding="utf-8"), encoding="utf-8")
    assert ems("new", "series", "mine.toml", "--quiet").code == 0
    assert ems("optimum", "mine.toml", "--cycle", "own.csv", "--out", "run", "--report", "--quiet").code == 0
    page, before = tmp_path / "run" / "report.html", Path("mine.toml").read_text(encoding="utf-8")
    first = page.read_text(encoding="utf-8")
    assert ems("report", "run").err == ""
    Path("mine.toml").write_text(before.replace("efficiency = 0.985", "efficiency = 0.975"), encoding="utf-8")
    done = ems("report", "run")
    assert done.code == 0 and "../mine.toml changed since" in done.err and page.read_text(encoding="utf-8") == first
    Path("mine.toml").rename("other.toml")
    Path("own.csv").unlink()
    done = ems("report", "run")
    assert done.code == 0 and page.read_text(encoding="utf-8") == first

    strip(tmp_path / "run" / "trip.npz")
    done = ems("report", "run")
    assert done.code == 1 and "inputs.layout: found '../mine.toml', which is not there" in done.err and "inputs.cycle" in done.err
    Path("other.toml").rename("mine.toml")
    Path("own.csv").write_text(Path(SHORT_TRIP).read_text(encoding="utf-8"), encoding="utf-8")
    done = ems("report", "run")
    assert done.code == 1 and f"changed since ems {__version__} wrote the result: ../mine.toml has another content now" in done.err
    result = tmp_path / "run" / "result.json"
    said = json.loads(result.read_text(encoding="utf-8"))
    del said["inputs"]["files"]
    result.write_text(json.dumps(said), encoding="utf-8")
    done = ems("report", "run")
    assert done.code == 1 and "its own file, or one of those that it names" in done.err and "--force" in done.err


def test_a_comparison_and_other_results_have_pages_too(ems, tmp_path):
    for words in (("compare", "three-clutch", "--cycle", SHORT_TRIP, "--report", "--out", "strategy"),
                  ("capability", "series", "--out", "road")):
        done = ems(*words, "--quiet")
        assert done.code == 0, done.err
    first = (tmp_path / "strategy" / "report.html").read_text(encoding="utf-8")
    assert ems("report", "strategy", "--quiet").code == 0
    assert (tmp_path / "strategy" / "report.html").read_text(encoding="utf-8") == first
    done = ems("report", "strategy", "road", "--out", "both")
    assert done.code == 0, done.err
    both = (tmp_path / "both" / "report.html").read_text(encoding="utf-8")
    assert "Why it needs more" in both and "What it can do" in both
    for words, told in ((("report", "strategy", "strategy", "--out", "page"), "one player"),
                        (("report", "road", "series", "--out", "page"), "no layouts"),
                        (("report", "road", "--cycle", "nedc"), "brings its own inputs")):
        done = ems(*words)
        assert done.code == 2 and told in done.err and "Traceback" not in done.err


def test_a_folder_of_another_kind_is_told(ems, tmp_path):
    assert ems("layouts", "--out", "listing", "--quiet").code == 0
    done = ems("report", "listing")
    assert done.code == 1 and "ems.layouts/1" in done.err and "capability" in done.err


def test_a_page_needs_a_place(ems):
    for words in (("report", "three-clutch"), ("optimum", "three-clutch", "--report")):
        done = ems(*words)
        assert done.code == 2 and "--out DIR" in done.err and "Traceback" not in done.err


def test_what_is_not_there_is_said(ems):
    done = ems("report", "./nowhere", "--out", "page")
    assert done.code == 1 and "nowhere" in done.err and "Traceback" not in done.err


def test_a_file_that_ems_did_not_write_stays(ems, tmp_path):
    assert ems("optimum", "three-clutch", "--cycle", SHORT_TRIP, "--out", "run", "--quiet").code == 0
    page = tmp_path / "run" / "report.html"
    page.write_text("mine", encoding="utf-8")
    done = ems("report", "run", "--quiet")
    assert done.code == 1 and "report.html" in done.err
    assert page.read_text(encoding="utf-8") == "mine"
