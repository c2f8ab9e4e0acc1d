"""One place that decides how kernels are compiled and where the machine code is kept.

Numba's own cache does not notice an edit in another file than the kernel's. The cache folder therefore carries a digest
of all kernel sources and of the numba version; when no folder can be written, each process compiles them anew.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

os.environ.setdefault("OMP_WAIT_POLICY", "passive")   # threads of a second process must not spin at barriers

import numba

Function = TypeVar("Function", bound=Callable[..., Any])


def _digest() -> str:
    digest = hashlib.sha256(numba.__version__.encode())
    for source in sorted(Path(__file__).parent.glob("*.py")):
        digest.update(source.read_bytes())
    return digest.hexdigest()[:16]


def _cache_folder() -> Path | None:
    """A writable folder for this version of the kernels, or None."""
    chosen = os.environ.get("EMS_CACHE_DIR")
    base = Path(chosen) if chosen else Path(os.environ.get("XDG_CACHE_HOME", "~/.cache")).expanduser() / "ems"
    folder = base / f"kernels-{_digest()}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return folder
    except OSError:
        return None


CACHE_FOLDER = _cache_folder()
if CACHE_FOLDER is not None:
    numba.config.CACHE_DIR = str(CACHE_FOLDER)  # type: ignore[attr-defined]


def cached() -> bool:
    """Whether kernels of this version have been compiled before."""
    return CACHE_FOLDER is not None and any(CACHE_FOLDER.rglob("*.nbi"))


def compiled(function: Function) -> Function:
    """Compile a kernel for one thread."""
    kernel: Any = numba.njit(cache=CACHE_FOLDER is not None, error_model="numpy")(function)
    return kernel


def compiled_parallel(function: Function) -> Function:
    """Compile a kernel whose ``prange`` loops run on all threads."""
    kernel: Any = numba.njit(cache=CACHE_FOLDER is not None, error_model="numpy", parallel=True)(function)
    return kernel
