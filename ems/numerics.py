"""Which arithmetic a result comes from: a digest of the sources and libraries that determine its numbers."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

import ems

LIBRARIES = ("numpy", "numba", "llvmlite", "scipy")


@cache
def numerics_version(folders: tuple[str, ...]) -> str:
    """sha256 of every source and data file in folders of ems, and of the versions of the libraries that do arithmetic, cut to 16 digits.

    An edit of a comment changes it too: solving again is cheaper than a table of mixed arithmetic.
    """
    package = Path(ems.__file__).parent
    total = hashlib.sha256()
    for library in LIBRARIES:
        total.update(f"{library} {version(library)}\n".encode())
    for folder in sorted(folders):
        for path in sorted(p for p in (package / folder).iterdir() if p.suffix in (".py", ".toml")):
            total.update(f"{folder}/{path.name}\n".encode() + path.read_bytes())
    return total.hexdigest()[:16]
