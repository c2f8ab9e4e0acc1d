"""``--out``: whole files or none, and nothing replaced that ems did not write."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import time
from fractions import Fraction
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from ems.errors import InputError, RunError
from ems.output import OutputFolder, dumps


@pytest.fixture
def folder(tmp_path):
    return tmp_path / "deep" / "out"


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_writes_result_and_files_with_their_digests(folder):
    OutputFolder(folder).write({"schema": "ems.x/1", "value": 1.5}, {
        "trace.csv": "a,b\n", "raw.bin": b"\x00", "made.npz": lambda path: path.write_bytes(b"123")})
    assert names(folder) == ["made.npz", "raw.bin", "result.json", "trace.csv"]
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    assert result["value"] == 1.5
    assert result["files"] == {n: sha256((folder / n).read_bytes()).hexdigest() for n in names(folder)
                               if n != "result.json"}


def test_replaces_only_with_force_and_only_its_own(folder):
    OutputFolder(folder).write({"schema": "ems.x/1"}, {"old.csv": "1", "trace.csv": "1"})
    (folder / "notes.txt").write_text("precious", encoding="utf-8")
    with pytest.raises(InputError, match="holds a result already; expected another folder, or --force"):
        OutputFolder(folder).write({"schema": "ems.x/1"}, {"trace.csv": "2"})
    OutputFolder(folder, force=True).write({"schema": "ems.x/1"}, {"trace.csv": "2"})
    assert names(folder) == ["notes.txt", "result.json", "trace.csv"]      # what is no longer written has gone
    assert (folder / "trace.csv").read_text(encoding="utf-8") == "2"
    with pytest.raises(InputError, match=r"notes\.txt, which no earlier run of ems wrote there"):
        OutputFolder(folder, force=True).write({"schema": "ems.x/1"}, {"notes.txt": "2"})
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "precious"


@pytest.mark.parametrize("content", ["not json", "[]", '{"files": {"notes.txt": ""}}',
                                     '{"schema": "ems.x/1", "files": {"../notes.txt": ""}}'])
def test_somebody_elses_result_json_gives_no_right_to_replace(folder, content):
    folder.mkdir(parents=True)
    (folder / "result.json").write_text(content, encoding="utf-8")
    (folder / "notes.txt").write_text("precious", encoding="utf-8")
    (folder.parent / "notes.txt").write_text("precious", encoding="utf-8")
    with pytest.raises(InputError):
        OutputFolder(folder, force=True).write({"schema": "ems.x/1"}, {"notes.txt": "2"})
    assert (folder / "notes.txt").read_text(encoding="utf-8") == "precious"
    assert (folder.parent / "notes.txt").read_text(encoding="utf-8") == "precious"


def test_a_file_is_no_folder(tmp_path):
    (tmp_path / "out").write_text("x", encoding="utf-8")
    with pytest.raises(InputError, match=r"found .*out: a file; expected the name of a folder"):
        OutputFolder(tmp_path / "out").check()
    with pytest.raises(InputError, match="may be written to"):
        OutputFolder(tmp_path / "out" / "deeper").check()


def test_a_failing_writer_leaves_the_old_result(folder):
    OutputFolder(folder).write({"schema": "ems.x/1"}, {"trace.csv": "1"})
    before = {n: (folder / n).read_bytes() for n in names(folder)}

    def full(path):
        path.write_bytes(b"half")
        raise OSError(28, "No space left on device")

    with pytest.raises(RunError, match="No space left on device"):
        OutputFolder(folder, force=True).write({"schema": "ems.x/1"}, {"trace.csv": "2", "tables.npz": full})
    assert {n: (folder / n).read_bytes() for n in names(folder)} == before


@pytest.mark.skipif(os.name == "nt", reason="signals")
def test_a_killed_run_leaves_no_half_written_file_and_the_next_tidies_up(folder, tmp_path):
    OutputFolder(folder).write({"schema": "ems.x/1"}, {"trace.csv": "1"})
    script = (
        "import sys, time\n"
        "from pathlib import Path\n"
        "from ems.output import OutputFolder\n"
        "def slow(path):\n"
        "    path.write_bytes(b'half')\n"
        f"    Path({str(tmp_path / 'writing')!r}).touch()\n"
        "    time.sleep(60)\n"
        f"OutputFolder(Path({str(folder)!r}), force=True).write({{'schema': 'ems.x/1'}}, {{'trace.csv': slow}})\n"
    )
    process = subprocess.Popen([sys.executable, "-c", script])
    try:
        deadline = time.monotonic() + 30
        while not (tmp_path / "writing").exists():
            assert time.monotonic() < deadline and process.poll() is None
            time.sleep(0.01)
    finally:
        process.send_signal(signal.SIGKILL)
        process.wait()
    assert (folder / "trace.csv").read_text(encoding="utf-8") == "1"
    assert [n for n in names(folder) if not n.startswith(".ems-writing-")] == ["result.json", "trace.csv"]
    OutputFolder(folder, force=True).write({"schema": "ems.x/1"}, {"trace.csv": "3"})
    assert names(folder) == ["result.json", "trace.csv"]


def test_json_knows_what_we_write_and_has_no_nan():
    value = {"a": np.float64(1.5), "b": np.array([1.0, math.nan, math.inf]), "c": Fraction(1, 3), "d": (1, None, True),
             "e": Path("x"), "f": np.int64(3), "g": -math.inf, "h": np.bool_(True), "i": "Ω"}
    assert json.loads(dumps(value)) == {
        "a": 1.5, "b": [1.0, None, None], "c": "1/3", "d": [1, None, True], "e": "x", "f": 3, "g": None, "h": True,
        "i": "Ω"}
    assert "Ω" in dumps(value)
    with pytest.raises(TypeError, match="no JSON form of a object"):
        dumps(object())


def test_command_writes_result_json(ems):
    ended = ems("layouts", "--out", "o")
    assert ended.code == 0 and ended.err == "wrote 1 file to o\n"
    result = json.loads(Path("o/result.json").read_text(encoding="utf-8"))
    assert result["schema"] == "ems.layouts/1" and result["files"] == {}
    again = ems("layouts", "--out", "o")
    assert again.code == 1 and "--force" in again.err and again.out == ""
    assert ems("layouts", "--out", "o", "--force", "--quiet").err == ""
    assert [p.name for p in Path.cwd().iterdir()] == ["o"]


def test_json_beside_out_stays_one_object(ems):
    ended = ems("layouts", "--out", "o", "--json")
    assert ended.json["status"] == "done"


WRITES = {
    "optimum series --report --tables --polish": ("trace.csv", "figure.png", "trip.npz", "report.html", "tables.npz", "polished.csv"),
    "compare series --report": ("ledger.csv", "trace.csv", "optimum.csv", "figure.png", "trip.npz", "report.html"),
    "versus series input-split --report": ("matrix.csv", "forces.csv", "fuel.png", "force.png", "report.html"),
    "worth series --part gear --report": ("worth.csv", "worth.png", "report.html"),
    "sensitivity series --quantity vehicle.mass_kg --report": ("sensitivity.csv", "sensitivity.png", "report.html"),
    "comfort series --dwell 2": ("changes.csv", "comfort.png"),
    "chargeable series-chargeable --no-blended --no-correction": ("legs.csv",),
    "capability series --report": ("forces.csv", "force.png", "report.html"),
    "tune series": ("calibration.toml",),
    "report series": ("report.html",),
}


@pytest.mark.parametrize("words", WRITES)
def test_somebody_elses_file_is_told_before_anything_is_computed(ems, words):
    Path("out").mkdir()
    for name in WRITES[words]:
        path = Path("out", name)
        path.write_text("precious", encoding="utf-8")
        ended = ems(*words.split(), "--out", "out", "--force")
        (told,) = ended.err.splitlines()      # no progress beside it
        assert ended.code == 1 and f"{path}, which no earlier run of ems wrote there" in told
        assert path.read_text(encoding="utf-8") == "precious"
        path.unlink()


@pytest.mark.parametrize("words", [w for w in WRITES if w.split()[0] in ("compare", "capability")])
def test_what_is_written_is_what_was_foretold(ems, words):
    cycle = () if words.startswith("capability") else ("--cycle", str(Path(__file__).parents[1] / "data" / "short-trip.csv"))
    assert ems(*words.split(), *cycle, "--out", "out").code == 0
    assert names(Path("out")) == sorted([*WRITES[words], "result.json"])
