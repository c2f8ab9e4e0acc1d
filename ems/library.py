"""Where shipped data live, and how a short name becomes a file.

In a checkout ``maps/`` and ``cycles/`` stand beside the package; in an installed wheel they are inside it, under
``ems/_data``. Layouts and studies are always package data. A word with a slash or a suffix is a path of the user's; anything else
is a short name, in any case.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Literal

from ems.errors import InputError, Mistake, nearest_name

Kind = Literal["layout", "study", "cycle", "vehicle", "engine", "machine", "battery"]

_PACKAGE = Path(__file__).parent
_FOLDERS: dict[Kind, tuple[str, str]] = {
    # kind: (folder under the data root, suffix)
    "layout": ("shipped", ".toml"),
    "study": ("shipped/studies", ".toml"),
    "cycle": ("cycles", ".csv"),
    "vehicle": ("maps/vehicles", ".toml"),
    "engine": ("maps/engines", ".toml"),
    "machine": ("maps/machines", ".toml"),
    "battery": ("maps/batteries", ".toml"),
}


def data_root() -> Path:
    """Folder that holds ``maps/`` and ``cycles/``: inside an installed package, or the checkout around it."""
    installed = _PACKAGE / "_data"
    return installed if installed.is_dir() else _PACKAGE.parent


def folder(kind: Kind) -> Path:
    """Folder of the shipped files of one kind."""
    name, _ = _FOLDERS[kind]
    return _PACKAGE / name if kind in ("layout", "study") else data_root() / name


def names(kind: Kind) -> list[str]:
    """Short names of everything shipped of one kind, sorted."""
    _, suffix = _FOLDERS[kind]
    return sorted(p.stem for p in folder(kind).glob(f"*{suffix}"))


def is_path(word: str) -> bool:
    """Whether a user means a file of their own: a slash or a suffix says so."""
    return "/" in word or "\\" in word or Path(word).suffix != ""


def find(kind: Kind, word: str, *, where: str, key: str = "", beside: Path | None = None) -> Path:
    """The file a word stands for.

    kind   : what is looked for
    word   : short name (any case) or path
    where, key : who asked, for the message (file or option, key path)
    beside : folder that relative paths are relative to; the current folder when None
    Raises ``InputError`` for a name that is not shipped or a file that does not exist.
    """
    if is_path(word):
        path = Path(word).expanduser()
        if not path.is_absolute():
            path = (beside or Path.cwd()) / path
        if not path.is_file():
            raise InputError([Mistake(where, key, f"'{word}'", f"an existing {kind} file")])
        return path
    known = names(kind)
    for name in known:
        if name.lower() == word.lower():
            return folder(kind) / f"{name}{_FOLDERS[kind][1]}"
    raise InputError(
        [Mistake(where, key, f"'{word}'", f"a shipped {kind} or a path; shipped: {', '.join(known)}",
                 nearest_name(word, known))]
    )


def seen_from(folder: Path, word: str) -> str:
    """A word as a result in a folder may carry it away: of a path only how it is reached from there.

    Only the file's name where that way leads through a folder above the user's own, or there is none.
    """
    if not is_path(word):
        return word
    try:
        path, begin, home = Path(word).expanduser().resolve(), folder.expanduser().resolve(), Path.home().resolve()
        common = Path(os.path.commonpath((path, begin)))
    except (OSError, RuntimeError, ValueError):         # no home; two drives
        return _as_path(Path(word).name)
    outside = common == Path(common.anchor) or common in home.parents
    return _as_path(path.name if outside else Path(os.path.relpath(path, begin)).as_posix())


def found_from(folder: Path, word: str) -> str | None:
    """The word with which ``seen_from`` is undone: its path from the folder, else from the current one; None where no file is."""
    if not is_path(word):
        return word
    return next((str(path) for path in (folder / word, Path(word)) if path.is_file()), None)


def file_word(folder: Path, path: Path) -> str:
    """A file that was read, as a result in a folder may say it: a shipped one by its place among the shipped, others as ``seen_from``."""
    for root in (_PACKAGE, data_root()):
        if path.resolve().is_relative_to(root.resolve()):
            return path.resolve().relative_to(root.resolve()).as_posix()
    return seen_from(folder, str(path))


def file_of(folder: Path, word: str) -> Path | None:
    """The file that ``file_word`` said; None where it is no more."""
    return next((path for path in (folder / word, data_root() / word, _PACKAGE / word, Path(word)) if path.is_file()), None)


def _as_path(way: str) -> str:
    """A way that no one takes for a short name."""
    return way if is_path(way) else f"./{way}"
