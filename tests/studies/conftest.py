"""Studies that solve in no time, run in this process or as one of their own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).parent
TRIP = HERE.parent / "data" / "short-trip.csv"
PATIENCE_S = 300.0      # on a busy machine; only a test that fails takes as long
sys.path.insert(0, str(HERE))       # the quick solver is imported by name, here and in workers

import quick_solver  # noqa: E402

from ems.studies.results import load_study  # noqa: E402
from ems.studies.solvers import SOLVERS  # noqa: E402


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """The quick solver can be asked for, and worker processes find it."""
    monkeypatch.setitem(SOLVERS, "quick", quick_solver.SOLVER)
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(HERE), *filter(None, [os.environ.get("PYTHONPATH")])]))


@pytest.fixture
def write(tmp_path: Path) -> Callable[..., Path]:
    """A study file: ``write(cases=8)`` varies the mass, ``write(text)`` is taken as it is."""

    def made(text: str | None = None, *, cases: int = 8, more: str = "", name: str = "trial") -> Path:
        path = tmp_path / f"{name}.toml"
        path.write_text(text if text is not None else (
            f'name = "{name}"\nlayouts = "three-clutch"\ncycles = "{TRIP}"\nsolve = "quick"\n'
            f'[vary]\nvehicle.mass_kg = {{ from = 1501, to = {1500 + cases}, step = 1 }}\n{more}'), encoding="utf-8")
        return path

    return made


class Process:
    """``ems`` in a process of its own; what it says goes to files, and can be read while it runs."""

    def __init__(self, place: Path, *words: str | Path, preexec: Callable[[], None] | None = None, **environment: str) -> None:
        self.place = place
        with (place / "stdout").open("wb") as out, (place / "stderr").open("wb") as err:
            self.process = subprocess.Popen(
                [sys.executable, str(HERE / "drive.py"), *map(str, words)], env={**os.environ, **environment},
                stdout=out, stderr=err, preexec_fn=preexec, start_new_session=True)

    def said(self) -> str:
        """What it has told on stderr so far."""
        return (self.place / "stderr").read_text(encoding="utf-8")

    def ended(self) -> tuple[int, str, str]:
        code = self.process.wait(timeout=PATIENCE_S)
        return code, (self.place / "stdout").read_text(encoding="utf-8"), self.said()


@pytest.fixture
def start(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Start processes; whatever is left of them is ended with the test."""
    started: list[Process] = []

    def made(*words: str | Path, **more: Any) -> Process:
        started.append(Process(tmp_path_factory.mktemp("process"), *words, **more))
        return started[-1]

    yield made
    for one in started:
        if one.process.poll() is None:
            one.process.kill()
        one.process.wait()


def table(folder: Path) -> list[dict[str, Any]]:
    """The rows of a study but for what the clock says; their numbers as JSON gives them, to the last bit."""
    rows = load_study(folder).to_dict()["rows"]
    return json.loads(json.dumps([{k: v for k, v in row.items() if k != "seconds"} for row in rows]))


def until(true: Callable[[], bool], what: str, seconds: float = PATIENCE_S) -> None:
    """Wait until something is so."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"waited in vain: {what}"
        time.sleep(0.02)


def solved(folder: Path) -> int:
    """How many results a folder holds; 0 while there is no store yet."""
    from ems.errors import InputError

    try:
        return sum(n for state, n in load_study(folder).counts().items() if state != "open")
    except (InputError, KeyError):
        return 0
