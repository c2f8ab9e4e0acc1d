"""Where cases are solved: processes on this machine, or the workers of a Dask cluster, both behind ``concurrent.futures.Executor``."""

from __future__ import annotations

import contextlib
import logging
import multiprocessing
import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any, Protocol, TypeVar

from ems.errors import InputError, Mistake, RunError
from ems.studies.worker import ONE_THREAD, begin

Result = TypeVar("Result")
WAIT_FOR_WORKERS_S = 30.0


class Pool(Protocol):
    """An executor and the little that differs between one machine and many."""

    executor: Executor
    words: str

    @property
    def slots(self) -> int:
        """Cases to have in flight at once."""

    @property
    def workers(self) -> int:
        """Workers there are."""

    def submit(self, function: Callable[..., Result], *arguments: Any) -> Future[Result]:
        """Hand a call to a worker."""

    def renew(self) -> None:
        """Let the workers go that compiled, with the memory that took; nothing where workers are not ours to start."""

    def revive(self) -> None:
        """Make the pool usable again after a worker died; nothing where it mends itself."""

    def died(self, error: BaseException) -> bool:
        """Whether an error says that a worker died, not that the call failed."""

    def gave_up(self, error: BaseException) -> bool:
        """Whether an error says that a call killed so many workers that the pool will not try it again."""

    def check(self) -> None:
        """Raises ``RunError`` when the pool is gone for good."""

    def close(self, *, at_once: bool) -> None:
        """Let the workers go; ``at_once``: without waiting for what they are at."""


class LocalPool:
    """Worker processes on this machine, started afresh (spawn): a process forked beside running threads may hang."""

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self.words = f"{workers} worker{'' if workers == 1 else 's'}"
        self.executor: Executor = self._start()

    @property
    def slots(self) -> int:
        return self.workers + 1         # one waits, so that no worker idles while a result is written

    def _start(self) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(self.workers, mp_context=multiprocessing.get_context("spawn"), initializer=begin)

    def submit(self, function: Callable[..., Result], *arguments: Any) -> Future[Result]:
        with _workers_environment():    # processes are started here, as they are needed
            return self.executor.submit(function, *arguments)

    def renew(self) -> None:
        self.close(at_once=False)
        self.executor = self._start()

    def revive(self) -> None:
        self.close(at_once=True)
        self.executor = self._start()

    def died(self, error: BaseException) -> bool:
        return isinstance(error, BrokenExecutor)

    def gave_up(self, error: BaseException) -> bool:
        return False

    def check(self) -> None:
        pass

    def close(self, *, at_once: bool) -> None:
        if at_once:
            for process in list((getattr(self.executor, "_processes", None) or {}).values()):
                process.kill()
        self.executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _workers_environment() -> Iterator[None]:
    """Processes started inside have one thread each, and no Ctrl-C reaches them."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    can_block = hasattr(signal, "pthread_sigmask")
    blocked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT}) if can_block else set()
    os.environ.update(ONE_THREAD)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
        if can_block:
            signal.pthread_sigmask(signal.SIG_SETMASK, blocked)


class DaskPool:
    """The workers of a Dask cluster. Whoever can reach its scheduler can run code on it."""

    def __init__(self, address: str) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise InputError([Mistake("--cluster", "", "no Dask here", "the extra that brings it: pip install 'ems[cluster]'")]) from None
        _quiet_logs()
        try:
            connect: Any = Client
            self.client: Any = connect(address, timeout=10, set_as_default=False, name="ems")
            self.client.wait_for_workers(1, timeout=WAIT_FOR_WORKERS_S)
        except (OSError, TimeoutError, ValueError, ImportError) as error:
            with contextlib.suppress(AttributeError):
                self.client.close(timeout=2)
            what = str(error).splitlines()[0] if str(error) else type(error).__name__
            raise InputError([Mistake("--cluster", "", f"'{address}' ({what})", "the address of a running Dask scheduler with a worker, "
                                      "as tcp://127.0.0.1:8786")]) from None
        self.address = address
        self.words = f"the cluster at {address}"
        self.executor: Executor = self.client.get_executor(pure=False)

    @property
    def workers(self) -> int:
        return max(1, len(self.client.scheduler_info(n_workers=-1)["workers"]))

    @property
    def slots(self) -> int:
        return 2 * self.workers         # one waits at each worker

    def submit(self, function: Callable[..., Result], *arguments: Any) -> Future[Result]:
        return self.executor.submit(function, *arguments)

    def renew(self) -> None:
        pass

    def revive(self) -> None:
        pass

    def died(self, error: BaseException) -> bool:
        return False

    def gave_up(self, error: BaseException) -> bool:
        from distributed import KilledWorker

        return isinstance(error, KilledWorker)

    def check(self) -> None:
        if self.client.status != "running":
            raise RunError(f"the Dask scheduler at {self.address} is gone ({self.client.status})")

    def close(self, *, at_once: bool) -> None:
        with contextlib.suppress(Exception):       # a scheduler that is gone cannot be told goodbye
            self.executor.shutdown(wait=False)
            self.client.close(timeout=2 if at_once else 10)


def _quiet_logs() -> None:
    """Dask's own log tells a lost connection in pages; what a user needs to know of it is an error here."""
    for name in ("distributed", *logging.root.manager.loggerDict):
        if name.partition(".")[0] == "distributed":
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)


def make_pool(workers: int, cluster: str | None) -> Pool:
    """The pool asked for: a cluster by address, or processes here."""
    return DaskPool(cluster) if cluster is not None else LocalPool(workers)
