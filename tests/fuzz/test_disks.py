"""Disks that are full or read-only, writes that are interrupted: whole files, a word that says where and why, a folder to be used again.

Source: by definition of the contract (``ems.output``); the errors are the operating system's own.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import resource
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from ems.errors import EmsError, RunError
from ems.output import OutputFolder, write_atomically

OLD, NEW = {"a.csv": "old,a\n", "b.csv": "old,b\n", "gone.csv": "old\n"}, {"a.csv": "new,a\n", "b.csv": b"new,b\n", "c.csv": "new\n"}
CALLS = ("fsync", "replace")            # where the operating system can refuse, beside opening, making folders and removing


class Refusing:
    """The operating system refuses the ``number``-th call of those that change a disk, in this process."""

    def __init__(self, monkeypatch, number: int, error: BaseException):
        self.left, self.error = number, error
        for name in CALLS:
            monkeypatch.setattr(os, name, self._counted(getattr(os, name)))
        for name in ("mkdir", "open", "unlink"):
            monkeypatch.setattr(Path, name, self._counted(getattr(Path, name), only_writing=name == "open"))

    def _counted(self, call, only_writing=False):
        def counted(*words, **options):
            if not only_writing or "w" in str(words[1:2]):
                self.left -= 1
                if self.left == 0:
                    raise self.error
            return call(*words, **options)

        return counted


def whole(folder: Path) -> None:
    """Every file is an old or a new one, whole; ``result.json`` can be read; nothing else lies about."""
    for path in folder.iterdir():
        assert path.name in {"result.json", *OLD, *NEW}, f"{path.name} left behind"
        if path.name != "result.json":
            known = [c if isinstance(c, bytes) else c.encode() for c in (OLD.get(path.name), NEW.get(path.name)) if c is not None]
            assert path.read_bytes() in known, f"{path.name} is half written"
    listed = json.loads((folder / "result.json").read_text(encoding="utf-8"))["files"]
    assert set(listed) in ({*OLD}, {*NEW})


FAILURES = [*(OSError(code, os.strerror(code)) for code in (errno.ENOSPC, errno.EROFS, errno.EIO)), KeyboardInterrupt()]


@pytest.mark.parametrize("error", FAILURES, ids=["full", "read-only", "broken", "ctrl-c"])
def test_whatever_call_fails_no_file_is_half_written(tmp_path, error):
    """The 1st, 2nd, ... call that changes the disk fails, until none does: old files or new ones, and the next write goes through."""
    refused = 0
    for number in range(1, 60):
        folder = tmp_path / f"out-{number}"
        OutputFolder(folder).write({"schema": "ems.x/1"}, OLD)
        with pytest.MonkeyPatch.context() as patch:
            refusing = Refusing(patch, number, error)
            try:
                OutputFolder(folder, force=True).write({"schema": "ems.x/1"}, NEW)
            except RunError as told:
                assert str(folder) in str(told) and error.strerror in str(told)
            except KeyboardInterrupt:
                assert isinstance(error, KeyboardInterrupt)
        whole(folder)
        refused += refusing.left <= 0
        OutputFolder(folder, force=True).write({"schema": "ems.x/1"}, NEW)
        result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
        assert result["files"] == {name: hashlib.sha256((folder / name).read_bytes()).hexdigest() for name in NEW}
        if refusing.left > 0:
            break
    assert refused > 10 and refusing.left > 0


@pytest.mark.parametrize("number", range(1, 4))
def test_a_single_file_is_the_old_or_the_new(tmp_path, monkeypatch, number):
    path = tmp_path / "mine.toml"
    path.write_text("old", encoding="utf-8")
    with monkeypatch.context() as patch:
        Refusing(patch, number, OSError(errno.ENOSPC, "No space left on device"))
        with pytest.raises(OSError, match="No space"):
            write_atomically(path, b"new")
    assert path.read_text(encoding="utf-8") == "old" and [p.name for p in tmp_path.iterdir()] == ["mine.toml"]


def run(*words: str, limit_bytes: int | None = None, **options) -> subprocess.CompletedProcess[str]:
    """``ems WORDS`` in a process of its own, which may write no file longer than ``limit_bytes``."""
    def limited() -> None:
        if limit_bytes is not None:
            signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
            resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))

    return subprocess.run([sys.executable, "-m", "ems", *words], text=True, stderr=subprocess.PIPE, preexec_fn=limited, **options)


def test_a_disk_that_takes_no_more_is_said(tmp_path):
    """A real write that fails part of the way: the process may write 4 kB a file, the result is longer."""
    done = run("modes", "three-clutch", "--out", str(tmp_path / "out"), limit_bytes=4096, stdout=subprocess.DEVNULL)
    assert done.returncode == 1 and "Traceback" not in done.stderr and "unexpectedly" not in done.stderr
    assert "--out" in done.stderr and str(tmp_path / "out") in done.stderr and os.strerror(errno.EFBIG) in done.stderr
    assert list((tmp_path / "out").iterdir()) == []


def test_a_copied_layout_too_long_for_the_disk(tmp_path):
    done = run("new", "three-clutch", str(tmp_path / "mine.toml"), limit_bytes=100, stdout=subprocess.DEVNULL)
    assert done.returncode == 1 and "unexpectedly" not in done.stderr
    assert "mine.toml" in done.stderr and os.strerror(errno.EFBIG) in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("words", [["layouts"], ["layouts", "--json"], ["check", "nowhere.toml", "--json"]])
def test_output_that_the_disk_does_not_take(words):
    with open("/dev/full", "w") as full:
        done = run(*words, stdout=full)
    assert done.returncode == 1 and done.stderr == f"the result cannot be written: {os.strerror(errno.ENOSPC).lower()}\n"


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs a file system that nobody can write to")
def test_a_folder_that_nobody_can_write_to(ems):
    ended = ems("layouts", "--out", "/proc/ems-result", "--json")
    (error,) = ended.json["errors"]
    assert ended.code == 1 and "/proc/ems-result" in error["message"] and "unexpectedly" not in error["message"]


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is forbidden to root")
def test_a_folder_without_the_right_to_write(tmp_path):
    (tmp_path / "closed").mkdir(mode=0o555)
    with pytest.raises(EmsError, match="nothing may be written to"):
        OutputFolder(tmp_path / "closed" / "out").check()
