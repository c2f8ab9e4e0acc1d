"""What this machine remembers for the user, in the cache folder: so a result need not say where its inputs lie."""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from ems.library import is_path
from ems.output import write_atomically


def cache_folder() -> Path | None:
    """The user's cache folder of ems, ``EMS_CACHE_DIR`` or the system's; None where there is none."""
    chosen = os.environ.get("EMS_CACHE_DIR")
    try:
        return Path(chosen) if chosen else Path(os.environ.get("XDG_CACHE_HOME", "~/.cache")).expanduser() / "ems"
    except RuntimeError:            # no home
        return None


def remember(digest: str, word: str) -> None:
    """Keep where the file of a layout or cycle with this digest was read; nothing for a short name, or where nothing can be written."""
    path = _path(digest)
    if path is not None and is_path(word):
        with contextlib.suppress(OSError, RuntimeError):
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomically(path, str(Path(word).expanduser().resolve()).encode())


def recall(digest: str) -> str | None:
    """Where it was read last; None when that is not known or there is no such file any more."""
    path = _path(digest)
    try:
        found = Path(path.read_text(encoding="utf-8")) if path is not None else None
        return str(found) if found is not None and found.is_file() else None
    except (OSError, ValueError):
        return None


def _path(digest: str) -> Path | None:
    folder = cache_folder()
    name = digest[:32]
    return folder / "inputs" / name if folder is not None and name.isalnum() else None
