"""A real Dask scheduler with two workers as processes on loopback: every case exactly once, whatever dies midway."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest

from ems.errors import InputError
from ems.studies.run import run_study
from tests.studies.conftest import solved, table, until

pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")


@pytest.fixture
def cluster(tmp_path):
    """(address, worker processes) of a scheduler and two workers that have joined it, ended with the test."""
    from distributed import Client

    started: list[subprocess.Popen] = []

    def begin(*words: str, **environment: str) -> subprocess.Popen:
        with open(tmp_path / f"log-{len(started)}", "wb") as log:
            started.append(subprocess.Popen([sys.executable, "-m", *words], stdout=log, stderr=log, start_new_session=True,
                                            cwd=tmp_path, env={**os.environ, **environment}))
        return started[-1]

    book = tmp_path / "scheduler.json"
    begin("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file", str(book))
    until(book.exists, "a scheduler")
    workers = [begin("distributed.cli.dask_worker", "--scheduler-file", str(book), "--no-nanny", "--nthreads", "1", "--no-dashboard",
                     "--host", "127.0.0.1", "--name", name, "--memory-limit", "0", QUICK_SECONDS="0.4") for name in ("one", "two")]
    address = json.loads(book.read_text(encoding="utf-8"))["address"]
    with Client(address) as client:
        client.wait_for_workers(2, timeout=60)
    yield address, workers
    for process in started:
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def test_every_case_exactly_once_with_a_worker_killed_midway(write, tmp_path, start, cluster):
    address, workers = cluster
    study, out, here = write(cases=20), tmp_path / "out", tmp_path / "here"
    one = start("batch", "run", study, "--out", out, "--cluster", address)
    until(lambda: solved(out) >= 4 and took_part(out) == 2, "four results, from both workers")
    os.killpg(workers[0].pid, signal.SIGKILL)
    code, said, err = one.ended()
    assert code == 0 and "20 cases: 20 done" in said and f"20 of 20 cases to solve on the cluster at {address}" in err, err
    with closing(sqlite3.connect(out / "study.sqlite")) as base:
        assert base.execute("SELECT count(*), count(DISTINCT digest) FROM results").fetchone() == (20, 20)
    run_study(str(study), here)
    assert table(out) == table(here)                # the same bits as from a process here


def took_part(out) -> int:
    """How many workers have handed in a result."""
    with closing(sqlite3.connect(out / "study.sqlite")) as base:
        return base.execute("SELECT count(DISTINCT worker) FROM results").fetchone()[0]


def test_a_scheduler_that_goes_away_is_told_and_the_rest_follows(write, tmp_path, start, cluster):
    address, workers = cluster
    study, out = write(cases=20), tmp_path / "out"
    one = start("batch", "run", study, "--out", out, "--cluster", address)
    until(lambda: solved(out) >= 3, "three results")
    subprocess.run(["kill", "-9", str(_scheduler_of(workers[0]))], check=True)
    code, _, err = one.ended()
    assert code == 1 and ("is gone" in err or "dropped a case" in err) and "Traceback" not in err, err
    here = solved(out)
    assert 3 <= here < 20
    assert run_study(str(study), out).solved == 20 - here


def _scheduler_of(worker: subprocess.Popen) -> int:
    """The process started just before the first worker."""
    import psutil

    mine = psutil.Process().children()
    return next(p.pid for p in mine if any("dask_scheduler" in word for word in p.cmdline()))


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense://x", "127.0.0.1"])
def test_no_cluster_at_an_address_is_a_clear_mistake(write, tmp_path, address):
    with pytest.raises(InputError, match=f"--cluster: found '{address}'.*the address of a running Dask scheduler"):
        run_study(str(write(cases=2)), tmp_path / "out", cluster=address)
