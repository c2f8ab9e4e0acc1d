"""Running: the same table for any number of workers, and after any way of being stopped."""

from __future__ import annotations

import dataclasses
import os
import random
import resource
import signal
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from ems.kernels import jit
from ems.studies.pools import LocalPool
from ems.studies.results import load_study
from ems.studies.run import run_study
from ems.studies.solvers import SOLVERS
from ems.studies.worker import prepare
from tests.studies.conftest import solved, table, until

CASES = 14


def children(pid: int) -> list[int]:
    """Worker processes of a process, those that keep books for multiprocessing left out."""
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        for word in (task / "children").read_text().split():
            if b"spawn_main" in Path(f"/proc/{word}/cmdline").read_bytes():
                found.append(int(word))
    return found


def running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except FileNotFoundError:
        return False


needs_proc = pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="looks for processes in /proc")


@pytest.fixture(scope="module")
def undisturbed():
    """Table of the cases, solved in one go: what every other run must come to. Its answers are by hand: mass over 3, plus 140 s."""
    return [{"case": n, "answer": (1500.0 + n) / 3.0 + 140.0, "mass_kg": 1500.0 + n} for n in range(1, CASES + 1)]


def told(folder: Path, names=("case", "answer", "mass_kg")) -> list[dict]:
    return [{name: row[name] for name in names} for row in table(folder)]


@pytest.mark.parametrize("workers", [1, 3])
def test_same_table_for_any_number_of_workers(write, tmp_path, undisturbed, workers):
    ran = run_study(str(write(cases=CASES)), tmp_path / "out", workers=workers)
    assert (ran.status, ran.done, ran.solved, ran.left, ran.workers) == ("done", CASES, CASES, 0, workers)
    assert told(tmp_path / "out") == undisturbed
    row = table(tmp_path / "out")[4]
    assert row["parts.third"] == 1505.0 / 3.0 and row["parts.grid"] == 1 and "not_kept" not in row
    again = run_study(str(tmp_path / "trial.toml"), tmp_path / "out", workers=workers)
    assert (again.solved, again.done) == (0, CASES)


def test_an_edited_study_solves_what_is_new_alone(write, tmp_path, undisturbed):
    assert run_study(str(write(cases=10)), tmp_path / "out").solved == 10
    assert run_study(str(write(cases=CASES)), tmp_path / "out").solved == 4
    assert told(tmp_path / "out") == undisturbed
    assert run_study(str(write(cases=3)), tmp_path / "out").solved == 0
    assert told(tmp_path / "out") == undisturbed[:3]


def test_the_same_case_twice_is_solved_once(write, tmp_path):
    (tmp_path / "cases.csv").write_text("vehicle.mass_kg\n1501\n1502\n1501\n", encoding="utf-8")
    trip = Path(__file__).parent.parent / "data" / "short-trip.csv"
    study = write(f'name = "x"\nlayouts = "series"\ncycles = "{trip}"\nsolve = "quick"\nsample = {{ method = "csv", file = "cases.csv" }}')
    ran = run_study(str(study), tmp_path / "out")
    assert (ran.solved, ran.cases, ran.done) == (2, 3, 3)
    rows = told(tmp_path / "out")
    assert rows[0] | {"case": 3} == rows[2]


def test_a_failed_case_is_a_row_with_its_message(write, tmp_path, monkeypatch):
    monkeypatch.setenv("QUICK_WRONG", "1502 1504")
    ran = run_study(str(write(cases=5)), tmp_path / "out", workers=2)
    assert (ran.done, ran.failed, ran.status) == (3, 2, "done")
    assert [row["message"] for row in table(tmp_path / "out")] == ["", "1502 kg is wrong", "", "1504 kg is wrong", ""]
    monkeypatch.delenv("QUICK_WRONG")
    assert run_study(str(write(cases=5)), tmp_path / "out").solved == 0
    assert run_study(str(write(cases=5)), tmp_path / "out", again=True).solved == 2
    assert [row["status"] for row in table(tmp_path / "out")] == ["done"] * 5


def test_trips_are_kept_when_asked_for(write, tmp_path):
    out = tmp_path / "out"
    run_study(str(write(cases=2)), out)
    ran = run_study(str(write(cases=2, more="[keep]\ntrace = true\n")), out)
    assert ran.solved == 2                      # they were kept without
    trip = load_study(out).trace(2)
    assert len(trip) == 140 and trip["speed_m_s"].max() == pytest.approx(90.0 / 3.6, abs=0.5)


def test_a_killed_worker_costs_no_case(write, tmp_path, undisturbed, monkeypatch):
    marks = tmp_path / "marks"
    marks.mkdir()
    monkeypatch.setenv("QUICK_DEADLY", "1503 1511")
    monkeypatch.setenv("QUICK_ONCE", str(marks))
    notes: list[str] = []
    ran = run_study(str(write(cases=CASES)), tmp_path / "out", workers=2, note=notes.append)
    assert (ran.done, ran.failed) == (CASES, 0) and len(list(marks.iterdir())) == 2
    assert "a worker died; its cases are solved again" in notes
    assert told(tmp_path / "out") == undisturbed


def test_a_case_that_kills_every_worker_is_a_row_and_its_neighbours_are_not(write, tmp_path, monkeypatch):
    monkeypatch.setenv("QUICK_DEADLY", "1503")
    ran = run_study(str(write(cases=6)), tmp_path / "out", workers=2)
    assert (ran.done, ran.failed, ran.status) == (5, 1, "done")
    (row,) = [row for row in table(tmp_path / "out") if row["status"] == "failed"]
    assert row["case"] == 3 and "its worker died 3 times" in row["message"]


def held_from(number: int) -> dict[str, str]:
    """Environment in which the cases from one on wait: the results before it are all that there can be."""
    return {"QUICK_HELD": " ".join(str(1500 + n) for n in range(number, CASES + 1))}


def test_a_worker_says_whether_it_compiled(monkeypatch):
    monkeypatch.setattr(jit, "_threads", jit._threads)      # a worker has one; this process gets its own back
    quick = dataclasses.replace(SOLVERS["quick"], uses=("kernels",))
    assert not prepare((quick,)).compiled
    assert prepare((dataclasses.replace(quick, warm_up="quick_solver:compile_one"),)).compiled


@needs_proc
def test_those_who_compiled_are_let_go_before_the_first_case(write, tmp_path, monkeypatch, undisturbed):
    pools = []

    class Watched(LocalPool):
        def renew(self) -> None:
            before = self.submit(os.getpid).result()
            super().renew()
            pools.append((before, self.submit(os.getpid).result()))

    monkeypatch.setattr("ems.studies.run.make_pool", lambda workers, _: Watched(workers))
    monkeypatch.setitem(SOLVERS, "quick", dataclasses.replace(SOLVERS["quick"], uses=("kernels",), warm_up="quick_solver:compile_one"))
    run_study(str(write(cases=CASES)), tmp_path / "out", workers=1)
    ((before, after),) = pools
    assert before != after and not running(before) and told(tmp_path / "out") == undisturbed
    with closing(sqlite3.connect(tmp_path / "out" / "study.sqlite")) as base:
        assert {worker.rpartition(":")[2] for worker, in base.execute("SELECT worker FROM results")} == {str(after)}


@needs_proc
def test_a_killed_parent_leaves_no_workers_and_the_rest_follows(write, tmp_path, start, undisturbed):
    study, out = write(cases=CASES), tmp_path / "out"
    first = start("batch", "run", study, "--out", out, "--workers", "2", **held_from(4))
    until(lambda: solved(out) == 3 and len(children(first.process.pid)) == 2, "three results and two workers")
    workers = children(first.process.pid)
    first.process.kill()
    first.ended()
    until(lambda: not any(map(running, workers)), "workers end with their parent")
    assert solved(out) == 3
    code, said, err = start("batch", "run", study, "--out", out, "--workers", "2").ended()
    assert code == 0 and f"{CASES - 3} of {CASES} cases to solve" in err and f"{CASES} cases: {CASES} done" in said
    assert told(out) == undisturbed


def test_ten_kills_at_random_moments_end_in_the_same_table(write, tmp_path, start, undisturbed):
    """A kill comes when a start has added none, one or two results, and where none at any moment of its beginning."""
    study, out, chance, codes = write(cases=CASES), tmp_path / "out", random.Random(7), []
    for more in (0, 1, 2, 0, 1, 0, 1, 2, 0, 1):
        here = solved(out)
        one = start("batch", "run", study, "--out", out, "--workers", "2", QUICK_SECONDS="0.15")
        until(lambda: solved(out) >= here + more or one.process.poll() is not None, "more results")     # noqa: B023
        time.sleep(chance.uniform(0.0, 0.15 if more else 1.0))
        one.process.kill()
        codes.append(one.ended()[0])
    assert codes[0] == codes[1] == -signal.SIGKILL      # of the later ones a slow machine may find nothing left to do
    code, _, _ = start("batch", "run", study, "--out", out, "--workers", "2").ended()
    assert code == 0 and told(out) == undisturbed


@needs_proc
def test_ctrl_c_finishes_what_is_in_flight(write, tmp_path, start, undisturbed):
    study, out, gate = write(cases=CASES), tmp_path / "out", tmp_path / "gate"
    one = start("batch", "run", study, "--out", out, "--workers", "2", **held_from(5), QUICK_GATE=str(gate))
    until(lambda: solved(out) == 4, "four results")
    os.killpg(one.process.pid, signal.SIGINT)       # as a terminal does: to the workers too
    until(lambda: "stopping: waiting for what is in flight (3)" in one.said(), "a word")
    gate.touch()
    code, said, err = one.ended()
    assert code == 130 and "the same command continues" in said
    assert "died" not in err and "Traceback" not in err
    assert solved(out) == 4 + 3
    assert start("batch", "run", study, "--out", out).ended()[0] == 0
    assert told(out) == undisturbed


@needs_proc
def test_a_second_ctrl_c_stops_at_once(write, tmp_path, start):
    study, out = write(cases=CASES), tmp_path / "out"
    one = start("batch", "run", study, "--out", out, "--workers", "2", **held_from(1))
    until(lambda: len(children(one.process.pid)) == 2, "two workers")
    workers = children(one.process.pid)
    os.killpg(one.process.pid, signal.SIGINT)
    until(lambda: "Ctrl-C again stops at once" in one.said(), "a word")
    os.killpg(one.process.pid, signal.SIGINT)
    code, _, err = one.ended()                      # its cases would never end
    assert code == 130 and "interrupted" in err and "Traceback" not in err
    assert not any(map(running, workers)) and solved(out) == 0


def test_a_full_disk_ends_the_run_with_a_word_and_the_rest_follows(write, tmp_path, start, undisturbed):
    study, out = write(cases=CASES), tmp_path / "out"

    def little_room() -> None:      # files of this process may not grow beyond 90 kB: writing fails as on a full disk
        resource.setrlimit(resource.RLIMIT_FSIZE, (90_000, 90_000))

    code, _, err = start("batch", "run", study, "--out", out, preexec=little_room).ended()
    assert code == 1 and "cannot be written" in err and "make room, then start the same command again" in err
    assert "Traceback" not in err
    here = solved(out)
    assert 0 < here < CASES
    assert start("batch", "run", study, "--out", out).ended()[0] == 0
    assert told(out) == undisturbed
