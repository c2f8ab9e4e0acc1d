"""One place that decides how kernels are compiled and where the machine code is kept.

Numba's own cache does not notice an edit in another file than the kernel's. Each file's kernels are therefore kept in a folder
named by a digest of that file, of every kernel file it imports, and of the numba version; when no folder can be written, each
process compiles them anew.
"""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

os.environ.setdefault("OMP_WAIT_POLICY", "passive")   # threads of a second process must not spin at barriers

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


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
    folder = _base_folder() / f"{name}-{digest.hexdigest()[:16]}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except OSError:
        return None


def cached() -> bool:
    """Whether the largest kernels of this version have been compiled before."""
    folders = [cache_folder(name) for name in ("frontier", "sweep")]
    return all(folder is not None and any(folder.rglob("*.nbi")) for folder in folders)


def _jit(function: Function, *, parallel: bool = False, forceinline: bool = False) -> Function:
    folder = cache_folder(function.__module__.rpartition(".")[2])
    if folder is not None:
        numba.config.CACHE_DIR = str(folder)  # type: ignore[attr-defined]
    kernel: Any = numba.njit(cache=folder is not None, error_model="numpy", parallel=parallel, forceinline=forceinline)(function)
    return kernel


def compiled(function: Function) -> Function:
    """Compile a kernel for one thread."""
    return _jit(function)


def compiled_inline(function: Function) -> Function:
    """Compile a small kernel into its callers: for what runs millions of times and takes many arguments."""
    return _jit(function, forceinline=True)


def compiled_parallel(function: Function) -> Function:
    """Compile a kernel whose ``prange`` loops run on all threads."""
    return _jit(function, parallel=True)
