"""What a run writes: JSON without NaN, and a folder whose files appear whole or not at all."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import shutil
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

from ems.errors import InputError, Mistake, RunError

if TYPE_CHECKING:
    import pandas as pd

RESULT = "result.json"
_STAGING = ".ems-writing-"


def plain(value: Any) -> Any:
    """The value as JSON knows it: numbers that are not finite become null; numpy, paths and dataclasses unpack."""
    if value is None or isinstance(value, bool | int | str):
        return value
    if isinstance(value, float):
        return value if value - value == 0.0 else None
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [plain(v) for v in value]
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if hasattr(value, "tolist"):   # numpy arrays and scalars, without importing numpy
        return plain(value.tolist())
    if isinstance(value, Fraction | PurePath):
        return str(value)
    raise TypeError(f"no JSON form of a {type(value).__name__}")


def dumps(value: Any, *, indent: int | None = 2) -> str:
    """JSON text, UTF-8, without NaN and Infinity."""
    return json.dumps(plain(value), indent=indent, ensure_ascii=False, allow_nan=False)


DECIMALS = 9
"""Of numbers in a CSV: of watts, grams and joules more than any figure needs, and all columns alike."""


def csv_text(frame: pd.DataFrame, *, decimals: int = DECIMALS, index: bool = True) -> str:
    """A frame as CSV, every number to so many decimals at most."""
    return frame.round(decimals).to_csv(index=index, lineterminator="\n")


Content = bytes | str | Callable[[Path], object]


class OutputFolder:
    """The folder of ``--out``.

    Files are written into a staging folder inside it and moved into place one by one, ``result.json`` first, which
    lists every other file with its sha256: whatever moment a run is killed at, no file is half written, and a reader
    can tell whether all belong together. Only files that the ``result.json`` found there lists are ever replaced, and
    only with ``force``.
    """

    def __init__(self, path: Path, *, force: bool = False, option: str = "--out") -> None:
        self.path = path
        self.force = force
        self.option = option

    def check(self, names: Sequence[str] = ()) -> None:
        """Refuse early, before anything is computed.

        names : of the files that will be written beside ``result.json``, as far as they are known
        Raises ``InputError`` when the path is no folder, cannot be written to, holds a result and ``force`` was not
        given, or holds a file of such a name that no result there lists.
        """
        if self.path.exists() and not self.path.is_dir():
            raise self._refusal("a file", "the name of a folder")
        if (self.path / RESULT).exists() and not self.force:
            raise self._refusal("a folder that holds a result already", "another folder, or --force to replace it")
        anchor = next(p for p in (self.path, *self.path.absolute().parents) if p.exists())
        if not anchor.is_dir() or not os.access(anchor, os.W_OK):
            raise self._refusal(f"nothing may be written to {anchor}", "a folder that may be written to")
        self._refuse_foreign([RESULT, *names], self._listed())

    def write(self, result: Mapping[str, Any], files: Mapping[str, Content] | None = None) -> list[Path]:
        """Write ``result.json`` and the other files; replaced and no longer written files of an old result go.

        result : content of ``result.json``; ``files`` (name -> sha256) is added
        files  : name -> content, or a function that writes it to the path it is given
        Returns the paths written. Raises ``InputError`` for a file that may not be replaced, ``RunError`` when the
        disk does not take it.
        """
        contents = dict(files or {})
        self.check(list(contents))
        listed = self._listed()
        try:
            return self._write(result, contents, listed)
        except OSError as error:
            raise RunError(f"{self.option} {self.path}: {error.strerror or error}") from error

    def check_add(self, name: str) -> None:
        """Refuse early what ``add`` would refuse: a file of that name that ems did not write."""
        self._refuse_foreign([name], self._listed())

    def add(self, name: str, content: str) -> Path:
        """Put one more file beside a result, and into the list of its ``result.json``; one of the same name that is listed is replaced.

        Raises ``InputError`` for a file that ems did not write, ``RunError`` when the disk does not take it.
        """
        self.check_add(name)
        try:
            result = json.loads((self.path / RESULT).read_text(encoding="utf-8"))
            result.setdefault("files", {})[name] = hashlib.sha256(content.encode()).hexdigest()
            write_atomically(self.path / RESULT, (dumps(result) + "\n").encode())
            write_atomically(self.path / name, content.encode())
        except OSError as error:
            raise RunError(f"{self.path}: {error.strerror or error}") from error
        return self.path / name

    def _write(self, result: Mapping[str, Any], contents: Mapping[str, Content], listed: set[str]) -> list[Path]:
        self.path.mkdir(parents=True, exist_ok=True)
        self._clear_left_behind()
        staging = self.path / f"{_STAGING}{os.getpid()}"
        staging.mkdir(exist_ok=True)
        try:
            for name, content in contents.items():
                _fill(staging / name, content)
            hashes = {name: sha256(staging / name) for name in contents}
            write_durably(staging / RESULT, (dumps({**result, "files": hashes}) + "\n").encode())
            for name in listed - {RESULT, *contents}:
                (self.path / name).unlink(missing_ok=True)
            for name in (RESULT, *contents):
                os.replace(staging / name, self.path / name)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
        return [self.path / name for name in (RESULT, *contents)]

    def _clear_left_behind(self) -> None:
        """Remove staging folders of runs that were killed."""
        for folder in self.path.glob(f"{_STAGING}*"):
            if not _is_running(folder.name.removeprefix(_STAGING)):
                shutil.rmtree(folder, ignore_errors=True)

    def _listed(self) -> set[str]:
        """Plain file names that the result found there lists, itself included."""
        try:
            found = json.loads((self.path / RESULT).read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return set()
        files = found.get("files") if isinstance(found, dict) else None
        if not isinstance(files, dict) or "schema" not in found:
            return set()
        return {RESULT, *(name for name in files if name == Path(name).name)}

    def _refuse_foreign(self, names: list[str], listed: set[str]) -> None:
        foreign = [n for n in names if n not in listed and (self.path / n).exists()]
        if foreign:
            raise InputError([
                Mistake(self.option, "", f"{self.path / name}, which no earlier run of ems wrote there",
                        "another folder; ems replaces only files that its own result.json lists") for name in foreign
            ])

    def _refusal(self, found: str, expected: str) -> InputError:
        return InputError([Mistake(self.option, "", f"{self.path}: {found}", expected)])


def _fill(path: Path, content: Content) -> None:
    if callable(content):
        content(path)
    else:
        write_durably(path, content.encode() if isinstance(content, str) else content)


def sha256(path: Path) -> str:
    """Hexadecimal digest of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def write_durably(path: Path, content: bytes) -> None:
    """Write a file and see it on the disk before returning."""
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def write_atomically(path: Path, content: bytes) -> None:
    """Write a single file that is there whole or not at all."""
    staged = path.with_name(f"{_STAGING}{os.getpid()}-{path.name}")
    try:
        write_durably(staged, content)
        os.replace(staged, path)
    finally:
        staged.unlink(missing_ok=True)


def _is_running(process: str) -> bool:
    if os.name == "nt":   # there, signal 0 is not harmless
        return True
    try:
        os.kill(int(process), 0)
    except (ValueError, ProcessLookupError):
        return False
    except PermissionError:
        return True
    return True
