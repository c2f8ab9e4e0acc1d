"""What runs in a worker: one case, in one thread, whose failure is an outcome like any other."""

from __future__ import annotations

import importlib
import os
import signal
import socket
import sys
import threading
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ems.errors import CycleNotFollowed, EmsError
from ems.output import csv_text
from ems.studies.how import How
from ems.studies.numerics import numerics_of
from ems.studies.solvers import Solver, flat, wanted

if TYPE_CHECKING:
    from ems.layout.model import Layout
    from ems.trips.cycle import Cycle

ONE_THREAD = {"NUMBA_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1",
              "OMP_WAIT_POLICY": "passive"}
"""Environment of a worker; several threads in each of several processes only stand in each other's way."""

DONE, NOT_FOLLOWED, FAILED = "done", "not followed", "failed"

_alone = threading.Lock()


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """All that a worker needs to solve a case, wherever it is; ``digest`` names it."""

    digest: str
    layout: Layout
    cycle: Cycle
    how: How
    solve: tuple[Solver, ...]
    columns: tuple[str, ...]
    trace: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a case.

    status : ``done``, ``not followed`` (the layout cannot follow the cycle) or ``failed``      message : why, empty when done
    outputs : column -> number, text, true or false; of a case that failed what could be solved
    trace : the trip as compressed CSV, None when not asked for
    seconds : time the worker spent on it      memory_MB : the most that worker ever held      worker : host and process
    numerics : the worker's version of the arithmetic
    """

    digest: str
    status: str
    message: str
    outputs: dict[str, Any]
    trace: bytes | None
    seconds: float
    memory_MB: float
    worker: str
    numerics: str


def begin() -> None:
    """First thing in a local worker process: leave Ctrl-C to the parent, and end when the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    from multiprocessing import parent_process

    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@dataclass(frozen=True, slots=True)
class Ready:
    """A worker whose kernels are there; ``compiled``: made just now, so that others load them."""

    numerics: str
    compiled: bool


def prepare(solve: tuple[Solver, ...]) -> Ready:
    """Compiles the kernels, or loads them."""
    with _alone, _compilations(solve) as found:
        _one_thread(solve)
        for solver in solve:
            solver.prepare()
    return Ready(numerics_of(solve), found != [])


@contextmanager
def _compilations(solve: tuple[Solver, ...]) -> Iterator[list[Any]]:
    """What is compiled meanwhile, rather than loaded."""
    if not _has_kernels(solve):
        yield []
        return
    from numba.core.event import install_recorder

    with install_recorder("numba:compile") as recorder:
        yield recorder.buffer


def solve_case(task: Task) -> Outcome:
    """Solve one case; whatever goes wrong is told in the outcome."""
    with _alone:        # one case at a time: a worker stands for one thread, its seconds and memory for one case
        _one_thread(task.solve)
        begun = time.perf_counter()
        status, message, outputs, trace = _solved(task)
        seconds = time.perf_counter() - begun
    return Outcome(task.digest, status, message, outputs, trace, seconds, peak_memory_MB(), f"{socket.gethostname()}:{os.getpid()}",
                   numerics_of(task.solve))


def _one_thread(solve: tuple[Solver, ...]) -> None:
    """Kernels on one thread even where the process was not started with ``ONE_THREAD`` (a cluster's worker)."""
    if _has_kernels(solve):
        importlib.import_module("ems.kernels.jit").use_threads(1)


def _has_kernels(solve: tuple[Solver, ...]) -> bool:
    return any("kernels" in solver.uses for solver in solve)


def _solved(task: Task) -> tuple[str, str, dict[str, Any], bytes | None]:
    """Status, message, columns and trip; where one solver fails the others are solved all the same, and their columns kept."""
    from ems.output import plain

    found: dict[str, Any] = {}
    trips: list[bytes] = []
    ends = dict.fromkeys(_attempt(task, solver, found, trips) for solver in task.solve)
    status = next(status for status in (FAILED, NOT_FOLLOWED, DONE) if any(end[0] == status for end in ends))
    message = "; ".join(text for _, text in ends if text)
    return status, message, plain(wanted(found, task.columns)), trips[0] if trips else None


def _attempt(task: Task, solver: Solver, found: dict[str, Any], trips: list[bytes]) -> tuple[str, str]:
    """How one solver ended, and why; its columns go into ``found``, its trip into ``trips`` where it is the first."""
    try:
        solved = solver(task.layout, task.cycle, task.how)
        for column, value in flat(solved.outputs).items():
            found.setdefault(column, value)
        if task.trace and not trips and solved.trace is not None:
            trips.append(zlib.compress(csv_text(solved.trace()).encode()))
    except CycleNotFollowed as error:
        return NOT_FOLLOWED, str(error)
    except EmsError as error:
        return FAILED, str(error)
    except MemoryError:
        return FAILED, "not enough memory"
    except Exception as error:
        return FAILED, f"ems failed unexpectedly ({type(error).__name__}: {error})"
    return DONE, ""


def peak_memory_MB() -> float:
    """The most memory this process has held [MB]; 0 where the system does not say."""
    try:
        import resource
    except ImportError:
        return 0.0
    unit = 1e6 if sys.platform == "darwin" else 1e3
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit
