"""Changed input files: known exit codes, messages that name place, value and expectation, nothing run, bounded time and memory.

240 files by default, 10,000 with ``EMS_LONG=1``. Source: by definition of the contract; the ways to change a file are in ``mutants``.
"""

from __future__ import annotations

import os
import resource
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent))

from mutants import KINDS, TOUCHED, mutant, originals

from ems.errors import EmsError, InputError

LONG = os.environ.get("EMS_LONG") == "1"
FILES = dict(zip(KINDS, (1000, 2000, 2500, 2000, 2000, 500) if LONG else 6 * (40,), strict=True))
MOST_SECONDS = 60           # a guard against never ending, not a measure
MOST_CASES = 40
MOST_MEMORY_MB = 700.0
LONGEST_MESSAGE = 3000
FORBIDDEN = ("os.system", "os.exec", "os.posix_spawn", "os.fork", "subprocess.Popen", "pickle.find_class", "socket.connect",
             "socket.getaddrinfo", "os.remove", "os.rename", "os.chmod", "shutil.rmtree", "ctypes.dlopen")

watching: list[str] | None = None


def _watch(event: str, arguments: tuple[Any, ...]) -> None:
    """Audit hook of the interpreter: what runs, unpickles, connects, writes or removes while an input is read."""
    if watching is None:
        return
    if event in FORBIDDEN or (event == "open" and isinstance(arguments[1], str) and set(arguments[1]) & set("wax+")):
        watching.append(f"{event} {arguments!r}"[:300])


sys.addaudithook(_watch)


@contextmanager
def watched() -> Iterator[list[str]]:
    """What forbidden things happen inside."""
    global watching
    watching = []
    try:
        yield watching
    finally:
        watching = None


@contextmanager
def at_most(seconds: int) -> Iterator[None]:
    """Fails a block that does not end."""
    def late(*_: object) -> None:
        raise TimeoutError(f"no answer within {seconds} s")

    before = signal.signal(signal.SIGALRM, late)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@cache
def plant() -> Any:
    from ems.layout.load import load_layout
    from ems.plant.plant import build_plant

    return build_plant(load_layout("three-clutch"), lanes=1)


def read_layout_file(path: Path) -> None:
    """As ``ems check``, and as far as the solver's arrays."""
    from ems.configurations import derive
    from ems.layout.load import load_layout
    from ems.plant.plant import build_plant

    layout = load_layout(str(path))
    derive(layout)
    build_plant(layout)


def read_map(path: Path) -> None:
    from ems.cli.check import _checked

    _checked(str(path), ())


def read_cycle(path: Path) -> None:
    from ems.trips.cycle import load_cycle
    from ems.trips.demand import demand

    demand(load_cycle(str(path)), plant().layout.vehicle)


def read_calibration(path: Path) -> None:
    from ems.strategies.rules import load_rules

    load_rules(plant().layout, str(path), plant=plant())


def read_recording(path: Path) -> None:
    from ems.strategies.replay import load_replay

    load_replay(plant().layout, str(path), plant=plant())


def read_study_file(path: Path) -> None:
    from ems.studies.cases import load_cases
    from ems.studies.studyfile import read_study

    plan = read_study(str(path))
    if plan.case_count <= MOST_CASES:           # loading is a tenth of a second each
        load_cases(plan)


READ: dict[str, Callable[[Path], None]] = {
    "layout": read_layout_file, "map": read_map, "cycle": read_cycle, "calibration": read_calibration, "recording": read_recording,
    "study": read_study_file,
}


def wrong_with(error: EmsError) -> str:
    """What is wrong with what a user would be told; empty when nothing is."""
    if not isinstance(error, InputError):
        return "" if error.exit_code in (1, 3) and str(error) and len(str(error)) < LONGEST_MESSAGE else "a message that says nothing"
    for mistake in error.mistakes:
        line = str(mistake)
        if not (mistake.where and mistake.found and mistake.expected):
            return f"a mistake without place, value or expectation: {line!r}"
        if len(line) > LONGEST_MESSAGE or "\n" in line or "\x1b" in line or "Traceback" in line or "0x7" in line:
            return f"a line that no user can read: {line[:200]!r}"
    return "" if error.mistakes else "no mistakes"


@pytest.fixture(scope="module", autouse=True)
def warm(tmp_path_factory) -> None:
    """Everything imported and compiled before anything is watched."""
    plant()
    for kind in KINDS:
        for number in range(12):
            with suppress(EmsError):
                READ[kind](mutant(kind, -1 - number, tmp_path_factory.getbasetemp() / "warm"))


@pytest.mark.parametrize("kind", KINDS)
def test_files_read_well_before_they_are_changed(kind, tmp_path):
    """A check of the check: what is told below is told of the changes."""
    for name, files in originals(kind):
        for file, raw in files.items():
            (tmp_path / file).write_bytes(raw)
        READ[kind](tmp_path / name)


@pytest.mark.parametrize("kind", KINDS)
def test_changed_files_are_told_in_words(kind, tmp_path, monkeypatch):
    """In one process, up to the solve; 10,000 files in all with EMS_LONG=1."""
    monkeypatch.chdir(tmp_path)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    faults, told, fine = [], 0, 0
    for number in range(FILES[kind]):
        path = mutant(kind, number, tmp_path / "in")
        with watched() as seen, at_most(MOST_SECONDS):
            try:
                READ[kind](path)
                fine += 1
            except EmsError as error:
                told += 1
                if wrong := wrong_with(error):
                    faults.append(f"{kind} {number}: {wrong}")
            except Exception as error:
                faults.append(f"{kind} {number}: {type(error).__name__}: {str(error)[:200]}")
        faults += [f"{kind} {number}: {what}" for what in seen]
    assert not faults, f"{len(faults)} of {FILES[kind]}:\n" + "\n".join(faults[:60])
    assert told > FILES[kind] // 4 and fine > 0                        # the changes are neither all harmless nor all fatal
    assert not list(tmp_path.rglob(TOUCHED))
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024.0 < MOST_MEMORY_MB


COMMANDS = {
    "layout": ["check", "{}", "--json"], "map": ["maps", "{}", "--json"], "cycle": ["cycles", "{}", "--json"],
    "calibration": ["compare", "three-clutch", "--cycle", "nowhere.csv", "--strategy", "rules:{}", "--json"],
    "recording": ["compare", "three-clutch", "--cycle", "nowhere.csv", "--strategy", "replay:{}", "--json"],
    "study": ["batch", "run", "{}", "--dry-run", "--json"],
}


@pytest.mark.parametrize("kind", KINDS)
def test_commands_end_with_a_known_code_and_one_object(kind, ems, tmp_path):
    """The same files through the command line: 0 or 1, one JSON object, nothing unexpected."""
    for number in range(40 if LONG else 6):
        path = mutant(kind, number, tmp_path / "in")
        ended = ems(*(word.format(path) for word in COMMANDS[kind]))
        said = ended.json
        assert ended.code in (0, 1) and said["status"] == ("done" if ended.code == 0 else "error"), (kind, number, ended)
        assert all(e["message"] and "unexpectedly" not in e["message"] for e in said.get("errors", [])), (kind, number, said)
