"""One place that decides how kernels are compiled and where the machine code is kept.

Numba's own cache does not notice an edit in another file than the kernel's. Each file's kernels are therefore kept in a folder
named by a digest of that file, of every kernel file it imports, and of the numba version; when no folder can be written, each
process compiles them anew.

Kernels are compiled without reference counts: for every array of every tuple that is handed on, numba would count up and down in
memory that the threads share, which took more time than the arithmetic. So they make no arrays and give none back but for those
of ``compiled_making`` and ``compiled_within``; a kernel that tries to make one does not compile.
"""

from __future__ import annotations

import hashlib
import itertools
import os
import re
import tempfile
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

import numba
import numpy as np

Function = TypeVar("Function", bound=Callable[..., Any])
Result = TypeVar("Result")


KERNELS = Path(__file__).parent
IMPORTED = re.compile(r"^from ems\.kernels\.(\w+) import", re.MULTILINE)


def _sources(name: str, known: frozenset[str] = frozenset()) -> frozenset[str]:
    """Names of the kernel files that the machine code of a file depends on, itself among them."""
    if name in known:
        return known
    known |= {name}
    for imported in IMPORTED.findall((KERNELS / f"{name}.py").read_text(encoding="utf-8")):
        known = _sources(imported, known)
    return known


def _base_folder() -> Path:
    chosen = os.environ.get("EMS_CACHE_DIR")
    return Path(chosen) if chosen else Path(os.environ.get("XDG_CACHE_HOME", "~/.cache")).expanduser() / "ems"


@cache
def cache_folder(name: str) -> Path | None:
    """A writable folder for this version of one kernel file, or None."""
    digest = hashlib.sha256(numba.__version__.encode())
    for source in sorted(_sources(name)):
        digest.update((KERNELS / f"{source}.py").read_bytes())
    try:
        folder = _base_folder() / f"{name}-{digest.hexdigest()[:16]}"
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except (OSError, RuntimeError):     # RuntimeError: no home folder
        return None


def cached() -> bool:
    """Whether the largest kernels of this version have been compiled before."""
    folders = [cache_folder(name) for name in ("frontier", "sweep")]
    return all(folder is not None and any(folder.rglob("*.nbi")) for folder in folders)


# Arguments of kernels that are known when they are compiled: for Python's own True, False, 0 and 1 numba compiles a kernel anew.
YES: Any = np.True_
NO: Any = np.False_
FIRST: Any = np.int64(0)
SECOND: Any = np.int64(1)


def _jit(function: Function, *, forceinline: bool = False, nogil: bool = False, inner: bool = False, making: bool = False,
         inline: str = "never") -> Function:
    folder = cache_folder(function.__module__.rpartition(".")[2])
    if folder is not None:
        numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    options: dict[str, Any] = {"forceinline": forceinline, "nogil": nogil, "inline": inline, "no_cfunc_wrapper": True,
                               "no_cpython_wrapper": inner or function.__name__.startswith("_"), "_nrt": making}
    kernel: Any = numba.njit(cache=folder is not None, error_model="numpy", **options)(function)
    return kernel


def compiled(function: Function) -> Function:
    """Compile a kernel for one thread. Where its name begins with an underscore it is an inner one, see ``compiled_inner``."""
    return _jit(function)


def compiled_making(function: Function) -> Function:
    """Compile a kernel that makes arrays; where it hands arrays to others often, that costs it time."""
    return _jit(function, making=True)


def compiled_inner(function: Function) -> Function:
    """Compile a kernel that only kernels call. It has no way in from Python, which would take as long to compile as the kernel: a call
    from there ends the process."""
    return _jit(function, inner=True)


def compiled_inline(function: Function) -> Function:
    """Compile a small kernel into its callers: for what runs millions of times and takes many arguments."""
    return _jit(function, forceinline=True)


def compiled_within(function: Function) -> Function:
    """Compile a kernel into each kernel that calls it, as a part of it, and by itself only when it is called from Python.

    For the layers of a search, since numba optimises all that a kernel calls again with it, and for what gives arrays back.
    """
    return _jit(function, making=True, inline="always")


def compiled_shared(function: Function) -> Function:
    """Compile a kernel whose first arguments are the beginning and the end of its share of some work, to be run by ``share_out``."""
    return _jit(function, nogil=True)


_threads: int = numba.config.NUMBA_NUM_THREADS  # type: ignore[attr-defined]


def use_threads(count: int) -> None:
    """How many threads kernels run on from now on in this process; NUMBA_NUM_THREADS or the number of cores until then."""
    global _threads
    _threads = count


ASIDE = "aside"
SHARES = 10     # pieces that the work of a kernel is cut into, so that no thread waits long for the last


def share_out(kernel: Callable[..., None], size: int, *arguments: Any, scratch: Callable[[], tuple[Any, ...]] = tuple) -> None:
    """Runs a kernel of ``compiled_shared`` over 0 .. size - 1 on all threads; the pieces do not depend on how many there are.

    scratch : makes further arguments, anew for each piece: memory that no two threads may share
    """
    edges = [size * i // SHARES for i in range(SHARES + 1)]
    pieces = [(a, b) for a, b in itertools.pairwise(edges) if b > a]
    if _threads == 1 or len(pieces) < 2:
        for begin, end in pieces:
            kernel(begin, end, *arguments, *scratch())
        return
    pool = _pool(_threads, threading.current_thread().name.startswith(ASIDE))   # work beside the main thread's does not hold that up
    for done in [pool.submit(kernel, begin, end, *arguments, *scratch()) for begin, end in pieces]:
        done.result()


def beside(work: Callable[[], Result]) -> Callable[[], Result]:
    """Begins some work in a thread of its own, and gives what waits for its result; on one thread it begins when it is waited for."""
    if _threads == 1:
        return work
    return _aside().submit(work).result


@cache
def _aside() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(1, ASIDE)


@cache
def _pool(threads: int, aside: bool) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(threads, "kernels")


def _forget_pools() -> None:
    """A forked child has none of its parent's threads; it makes its own."""
    _pool.cache_clear()
    _aside.cache_clear()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_forget_pools)
