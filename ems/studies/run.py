"""Runs a study: hands out what is not solved yet, writes each result as it arrives, and stops tidily when it is told to."""

from __future__ import annotations

import json
import signal
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from types import FrameType
from typing import Any

from ems.errors import InputError, Mistake, RunError
from ems.numerics import LIBRARIES
from ems.studies.cases import Case, cycle_warnings, load_cases, neighbours_together, sources, task_of
from ems.studies.numerics import numerics_of
from ems.studies.pools import Pool, make_pool
from ems.studies.store import CaseRow, Store
from ems.studies.studyfile import Plan, read_study
from ems.studies.worker import DONE, FAILED, NOT_FOLLOWED, Outcome, prepare, solve_case

TOGETHER, ALONE = 2, 1      # how often a case is tried again beside others, then by itself, after a worker died over it
FIRST_FEW = 4               # results after which time and memory are estimated
LOOK_S = 1.0                # how often the pool is looked after while no result arrives

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Ran:
    """How a run of a study ended.

    status : ``done`` when every case has a result, ``interrupted`` after Ctrl-C
    cases : of the study      done, not_followed, failed : cases by what became of them
    solved : cases solved by this run, ``seconds`` long      busy_s : time its workers spent on them
    memory_MB : the most that one worker held
    """

    study: str
    folder: str
    status: str
    cases: int
    done: int
    not_followed: int
    failed: int
    solved: int
    seconds: float
    busy_s: float
    memory_MB: float
    workers: int
    numerics: str
    notes: tuple[str, ...] = ()

    @property
    def left(self) -> int:
        """Cases without a result."""
        return self.cases - self.done - self.not_followed - self.failed

    def to_dict(self) -> dict[str, Any]:
        """Plain values by name."""
        return {**asdict(self), "left": self.left}


@dataclass(frozen=True, slots=True)
class Prepared:
    """A study whose every case has been loaded and checked."""

    plan: Plan
    cases: tuple[Case, ...]

    @property
    def warnings(self) -> list[str]:
        """What looks wrong but may be right."""
        return cycle_warnings(self.plan)


def prepare_study(word: str, *, overrides: Sequence[str] = (), tell: Tell | None = None) -> Prepared:
    """Read a study and load every case of it; raises ``InputError`` with every mistake. Nothing is solved or written."""
    plan = read_study(word)
    return Prepared(plan, tuple(load_cases(plan, overrides=overrides, tell=tell)))


def run_study(
    study: str | Prepared, out: str | Path, *, workers: int = 1, cluster: str | None = None, again: bool = False,
    progress: Tell | None = None, note: Tell | None = None,
) -> Ran:
    """Solve every case of a study that the folder does not hold yet; call it again to continue.

    study : short name or path of a study file, or one that is prepared      out : folder of its results
    workers : processes on this machine      cluster : address of a Dask scheduler, whose workers solve instead
    again : solve cases that failed anew      progress : where it stands, often      note : what is worth keeping on the screen
    Ctrl-C finishes what is in flight and returns; a second one raises ``KeyboardInterrupt`` at once.
    Raises ``InputError``, and ``RunError`` when the disk is full, another process fills the folder, or the cluster is gone.
    """
    prepared = prepare_study(study, tell=progress) if isinstance(study, str) else study
    tell, say = progress or (lambda _: None), note or (lambda _: None)
    with Store(Path(out)) as store:
        _same_study(store, prepared.plan)
        for text in store.notes:
            say(text)
        store.begin(_meta(prepared), (_row(case, prepared.plan) for case in prepared.cases))
        _write_text(store, prepared.plan)
        held = store.solved(prepared.plan.columns, trace=prepared.plan.trace, again=(FAILED,) if again else ())
        return _Run(prepared, store, held, tell, say).go(workers, cluster)


def _same_study(store: Store, plan: Plan) -> None:
    held = store.meta().get("name")
    if held is not None and held != plan.name:
        found = f"{store.folder}, which holds the study '{held}'"
        raise InputError([Mistake("--out", "", found, f"a folder of its own for '{plan.name}'")])


def _row(case: Case, plan: Plan) -> CaseRow:
    """A case as the store lists it, no path of this machine in it."""
    return replace(case.row, layout=plan.seen(case.layout), cycle=plan.seen(case.cycle))


def _sources(prepared: Prepared) -> dict[str, dict[str, str]]:
    """Where the data of every layout and cycle come from, by their words as the store lists them."""
    found, seen = sources(prepared.cases), prepared.plan.seen
    cycles = {seen(word): source for word, source in found.pop("cycles").items()}
    return {**{seen(word): parts for word, parts in found.items()}, "cycles": cycles}


def _meta(prepared: Prepared) -> dict[str, str]:
    from importlib.metadata import version

    import ems

    plan = prepared.plan
    varied = list(dict.fromkeys(path for point in plan.points for path in point))
    return {
        "name": plan.name, "summary": plan.summary, "text": plan.text, "numerics": numerics_of(plan.solvers),
        "solve": json.dumps(plan.solve), "varied": json.dumps(varied), "columns": json.dumps(plan.columns),
        "require": json.dumps(plan.require), "sources": json.dumps(_sources(prepared), ensure_ascii=False),
        "versions": json.dumps({"ems": ems.__version__, **{name: version(name) for name in LIBRARIES}}),
    }


def _write_text(store: Store, plan: Plan) -> None:
    """The study's own file beside its results, as it was run."""
    from ems.output import write_atomically

    try:
        write_atomically(store.folder / "study.toml", plan.text.encode())
    except OSError as error:
        raise RunError(f"{store.folder / 'study.toml'}: {error.strerror or error}") from error


@dataclass(slots=True)
class _Run:
    """One run: what is waiting, what is in flight, what has arrived."""

    prepared: Prepared
    store: Store
    held: set[str]
    tell: Tell
    say: Tell
    waiting: deque[Case] = field(default_factory=deque)
    suspects: deque[Case] = field(default_factory=deque)
    flying: dict[Future[Outcome], Case] = field(default_factory=dict)
    deaths: dict[str, int] = field(default_factory=dict)
    counts: dict[str, int] = field(default_factory=dict)
    busy_s: float = 0.0
    memory_MB: float = 0.0
    solved: int = 0
    stopping: bool = False
    began: float = 0.0

    def go(self, workers: int, cluster: str | None) -> Ran:
        """Solve what is not held; how it ended."""
        first = {case.digest: case for case in reversed(self.prepared.cases) if case.digest not in self.held}
        self.waiting.extend(neighbours_together(sorted(first.values(), key=lambda case: case.number)))
        began = time.perf_counter()
        if not self.waiting:
            return self._ended(0.0, 0)
        count = len(self.waiting)
        kept = f", {len(self.held & {c.digest for c in self.prepared.cases})} results are here already" if self.held else ""
        pool = make_pool(min(workers, count), cluster)
        at_once = True
        try:
            with _interrupts(self._stop):
                self.say(f"{count} of {len(self.prepared.cases)} cases to solve on {pool.words}{kept}")
                if self._warm(pool):
                    self.began = time.perf_counter()
                    self._drive(pool)
                    at_once = False
        finally:
            pool.close(at_once=at_once)
        return self._ended(time.perf_counter() - began, pool.workers if cluster is None else workers)

    def _stop(self) -> None:
        self.stopping = True
        waits = f"waiting for what is in flight ({len(self.flying)})" if self.flying else "nothing is in flight yet"
        self.say(f"stopping: {waits}; Ctrl-C again stops at once")

    def _warm(self, pool: Pool) -> bool:
        """Kernels compiled once, before workers start that solve; every machine must do the same arithmetic. False when told to stop."""
        self.tell("kernels: loading, or compiling once for this version (half a minute)")
        for _ in range(TOGETHER + ALONE):
            future = pool.submit(prepare, self.prepared.plan.solvers)
            while not wait([future], timeout=LOOK_S).done:
                pool.check()
                if self.stopping:
                    return False
            try:
                ready = future.result()
                self._same_numerics(ready.numerics, "a worker")
                if ready.compiled:
                    pool.renew()
                return True
            except RunError:
                raise
            except (Exception, CancelledError) as error:
                if not pool.died(error):
                    raise RunError(f"no worker could be made ready on {pool.words}: {type(error).__name__}: {error}") from error
                pool.revive()
        raise RunError(f"no worker could be made ready on {pool.words}: each died while it loaded the kernels")

    def _same_numerics(self, theirs: str, who: str) -> None:
        ours = numerics_of(self.prepared.plan.solvers)
        if theirs != ours:
            raise RunError(f"{who} has another ems or other libraries (arithmetic {theirs}, here {ours}): install the same everywhere")

    def _drive(self, pool: Pool) -> None:
        while True:
            self._hand_out(pool)
            if not self.flying:
                return
            arrived, _ = wait(self.flying, timeout=LOOK_S, return_when=FIRST_COMPLETED)
            died = False
            for future in arrived:
                died |= self._arrived(pool, future, self.flying.pop(future))
            if died:
                self._bury(pool)
            pool.check()

    def _hand_out(self, pool: Pool) -> None:
        """Fill the workers; a case over which workers died again and again flies alone."""
        slots = pool.slots
        while not self.stopping and len(self.flying) < slots:
            if self.waiting:
                self._submit(pool, self.waiting.popleft())
            elif self.suspects and not self.flying:
                self._submit(pool, self.suspects.popleft())
                return
            else:
                return

    def _submit(self, pool: Pool, case: Case) -> None:
        try:
            future = pool.submit(solve_case, task_of(case, self.prepared.plan))
        except Exception as error:      # the executor noticed before its results told us
            if not pool.died(error):
                raise
            self._lost(case)
            self._bury(pool)
            return
        self.flying[future] = case

    def _arrived(self, pool: Pool, future: Future[Outcome], case: Case) -> bool:
        """Take a result in; whether it was that a worker died."""
        try:
            outcome = future.result()
        except CancelledError:
            pool.check()
            raise RunError(f"{pool.words} dropped a case that was in flight. {self._kept()}") from None
        except Exception as error:
            if pool.died(error):
                self._lost(case)
                return True
            if not pool.gave_up(error):
                raise RunError(f"{pool.words} cannot solve a case: {type(error).__name__}: {error}. {self._kept()}") from error
            outcome = _killed(case, "the cluster gave up on it after its workers died over it", numerics_of(self.prepared.plan.solvers))
        self._same_numerics(outcome.numerics, outcome.worker)
        self._take(outcome)
        return False

    def _take(self, outcome: Outcome) -> None:
        self.store.add(outcome)
        self.counts[outcome.status] = self.counts.get(outcome.status, 0) + 1
        self.solved += 1
        self.busy_s += outcome.seconds
        self.memory_MB = max(self.memory_MB, outcome.memory_MB)
        self._progress()

    def _bury(self, pool: Pool) -> None:
        """After a worker died every case in flight is lost with it; results that had arrived are taken in first."""
        for future, case in list(self.flying.items()):
            del self.flying[future]
            if future.done() and not future.cancelled() and future.exception() is None:
                self._take(future.result())
            else:
                self._lost(case)
        self.say("a worker died; its cases are solved again")
        pool.revive()

    def _lost(self, case: Case) -> None:
        deaths = self.deaths[case.digest] = self.deaths.get(case.digest, 0) + 1
        if deaths < TOGETHER:
            self.waiting.append(case)
        elif deaths < TOGETHER + ALONE:
            self.suspects.append(case)
        else:
            self._take(_killed(case, f"its worker died {deaths} times (killed from outside, or out of memory)",
                               numerics_of(self.prepared.plan.solvers)))

    # -- telling -------------------------------------------------------------------------------------------------------

    def _progress(self) -> None:
        total, here = len(self.prepared.cases), time.perf_counter() - self.began
        left = len(self.waiting) + len(self.suspects) + len(self.flying)
        rate = self.solved / max(here, 1e-9)
        failed = self.counts.get(FAILED, 0)
        self.tell(f"{total - left} of {total} cases, {_rate(rate)}, {in_time(left / rate)} left{f', {failed} failed' if failed else ''}")
        if self.solved == FIRST_FEW and left:
            self.say(f"after the first {FIRST_FEW}: {self.busy_s / self.solved:.2g} s a case, {self.memory_MB:.0f} MB a worker; "
                     f"about {in_time(left / rate)} for the other {left}")

    def _kept(self) -> str:
        return f"The {self.solved} results of this run are kept; start the same command again to continue"

    def _ended(self, seconds: float, workers: int) -> Ran:
        statuses = dict(self.store.base.execute("SELECT digest, status FROM results"))
        found = [statuses.get(case.digest) for case in self.prepared.cases]
        return Ran(self.prepared.plan.name, str(self.store.folder), "interrupted" if self.stopping and None in found else "done",
                   len(found), found.count(DONE), found.count(NOT_FOLLOWED), found.count(FAILED), self.solved, seconds, self.busy_s,
                   self.memory_MB, workers, numerics_of(self.prepared.plan.solvers), tuple(self.store.notes))


def _killed(case: Case, why: str, numerics: str) -> Outcome:
    return Outcome(case.digest, FAILED, why, {}, None, 0.0, 0.0, "", numerics)


def _rate(per_second: float) -> str:
    """'1.3 cases a second', '8.2 cases a minute'."""
    return f"{per_second:.2g} cases a second" if per_second >= 0.5 else f"{60 * per_second:.2g} cases a minute"


def in_time(seconds: float) -> str:
    """'40 s', '12 min', '3 h 20 min'."""
    minutes = round(seconds / 60.0)
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"


@contextmanager
def _interrupts(stop: Callable[[], None]) -> Iterator[None]:
    """The first Ctrl-C calls ``stop``, the second raises ``KeyboardInterrupt``; only where Python lets us listen."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    pressed = 0

    def handler(_signal: int, _frame: FrameType | None) -> None:
        nonlocal pressed
        pressed += 1
        if pressed > 1:
            raise KeyboardInterrupt
        stop()

    before = signal.signal(signal.SIGINT, handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
