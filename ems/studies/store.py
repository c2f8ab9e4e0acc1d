"""The one file that holds a study: SQLite, a transaction a case, so that nothing that was solved is ever lost.

Schema, version 1 (``PRAGMA user_version``; ``PRAGMA application_id`` says that ems wrote the file):

    meta     key, value                   what the study is: name, text of its file, columns, versions, sources
    cases    number, digest, layout, cycle, charge, grid, lanes, varied      the study as it was last started; ``varied`` is JSON
    results  digest, status, message, outputs, seconds, memory_MB, worker, finished, checksum
                                          one row a case that was solved, ``outputs`` is JSON
    traces   digest, csv, checksum        trips second by second, zlib-compressed CSV, when the study keeps them

A case is joined to its result by its digest, so a study file may be edited: what it still asks for is not solved again.
Journal in WAL mode with full synchronisation: a row that was reported is on the disk. Each row carries a checksum, so a row that
a failing disk has changed is told from a good one and solved again.
"""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import sqlite3
import time
from collections.abc import Iterable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from ems.errors import InputError, Mistake, RunError
from ems.studies.worker import Outcome

FILE, LOCK = "study.sqlite", "running.lock"
APPLICATION, VERSION = 0x656D7331, 1

SCHEMA = f"""
PRAGMA application_id = {APPLICATION};
PRAGMA user_version = {VERSION};
BEGIN;
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE cases (
    number INTEGER PRIMARY KEY, digest TEXT NOT NULL, layout TEXT NOT NULL, cycle TEXT NOT NULL,
    charge TEXT, grid INTEGER NOT NULL, lanes INTEGER, varied TEXT NOT NULL);
CREATE TABLE results (
    id INTEGER PRIMARY KEY, digest TEXT NOT NULL UNIQUE, status TEXT NOT NULL, message TEXT NOT NULL, outputs TEXT NOT NULL,
    seconds REAL NOT NULL, memory_MB REAL NOT NULL, worker TEXT NOT NULL, finished TEXT NOT NULL, checksum TEXT NOT NULL);
CREATE TABLE traces (digest TEXT PRIMARY KEY, csv BLOB NOT NULL, checksum TEXT NOT NULL);
CREATE INDEX cases_digest ON cases (digest);
COMMIT;
"""


@dataclass(frozen=True, slots=True)
class CaseRow:
    """One case of the study as the store lists it; ``varied`` is path -> value."""

    number: int
    digest: str
    layout: str
    cycle: str
    charge: str | None
    grid: int
    lanes: int | None
    varied: dict[str, Any]


class Store:
    """The store of a folder, open for writing by this process alone.

    ``with Store(folder) as store``: raises ``InputError`` when the folder holds a file that is no store of this version,
    ``RunError`` when another process has it, or the disk does not take it.
    notes : what had to be mended, in words
    """

    def __init__(self, folder: Path) -> None:
        self.folder, self.path = folder, folder / FILE
        self.notes: list[str] = []
        self._lock: sqlite3.Connection | None = None
        self._base: sqlite3.Connection | None = None

    def __enter__(self) -> Self:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError([Mistake("--out", "", f"{self.folder}: {error.strerror or error}", "a folder to write to")]) from None
        self._take_lock()
        try:
            self._open()
        except BaseException:
            self.__exit__(None, None, None)
            raise
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        for connection in (self._base, self._lock):
            if connection is not None:
                with suppress(sqlite3.Error):       # a full disk cannot tidy its journal; the next start does
                    connection.close()
        self._base = self._lock = None

    # -- opening -------------------------------------------------------------------------------------------------------

    def _take_lock(self) -> None:
        """Hold an exclusive lock on a file beside the store; the system lets go of it when this process ends, however it ends."""
        try:
            self._lock = sqlite3.connect(self.folder / LOCK, timeout=0.0, isolation_level=None)
            self._lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                raise InputError([Mistake("--out", "", f"{self.folder}: {error}", "a folder that may be written to")]) from None
            raise RunError(f"{self.folder} is being filled by another process; wait for it, or stop it first") from None

    def _open(self) -> None:
        fresh = not self.path.exists() or self.path.stat().st_size == 0
        try:
            self._base = sqlite3.connect(self.path, timeout=30.0)
            fresh = fresh or holds_no_table(self._base)
            if not fresh:
                check_kind(self._base, self.path)
            _journal(self._base)
            if fresh:
                self._base.executescript(SCHEMA)
            sound = fresh or self._base.execute("PRAGMA quick_check(1)").fetchone() == ("ok",)
        except sqlite3.DatabaseError as error:
            if _is_about_space(error):
                raise self._full(error) from error
            sound = False
        if not sound:
            self._salvage()
        if not fresh:
            self._drop_changed_rows()

    def _salvage(self) -> None:
        """Every row that can still be read goes into a new file; the damaged one is kept beside it."""
        with suppress(sqlite3.Error):
            self.base.close()
        kept = next(p for i in itertools.count(1) if not (p := self.folder / f"{FILE}.damaged-{i}").exists())
        (self.folder / f"{FILE}-shm").unlink(missing_ok=True)
        for ending in ("", "-wal"):
            if (self.folder / f"{FILE}{ending}").exists():
                os.replace(self.folder / f"{FILE}{ending}", kept.with_name(kept.name + ending))
        self._base = sqlite3.connect(self.path, timeout=30.0)
        _journal(self._base)
        self._base.executescript(SCHEMA)
        counts = {table: self._copy(kept, table) for table in ("meta", "results", "traces")}
        self.notes.append(f"{self.path} was damaged: {counts['results']} results could be read and are kept, the rest is solved "
                          f"again; the damaged file is now {kept.name}")

    def _copy(self, source: Path, table: str) -> int:
        """Copy the readable rows of a table of a damaged file, one by one; how many."""
        copied = 0
        damaged = sqlite3.connect(source)
        try:
            for row in _readable(damaged, table):
                self.base.execute(f"INSERT OR REPLACE INTO {table} VALUES ({', '.join('?' * len(row))})", row)
                copied += 1
        finally:
            damaged.close()
            self.base.commit()
        return copied

    def _drop_changed_rows(self) -> None:
        """Rows whose checksum does not fit are dropped; they will be solved again."""
        changed = [(row[0],) for row in self.base.execute(f"SELECT id, {', '.join(_RESULT)}, checksum FROM results")
                   if _checksum(row[1:-1]) != row[-1]]
        if changed:
            self.base.executemany("DELETE FROM results WHERE id = ?", changed)
            self.base.commit()
            self.notes.append(f"{len(changed)} results in {self.path} were changed by something other than ems; they are solved again")

    @property
    def base(self) -> sqlite3.Connection:
        assert self._base is not None, "the store is open only inside its with block"
        return self._base

    # -- the study -----------------------------------------------------------------------------------------------------

    def meta(self) -> dict[str, str]:
        """What the study is, key by key; empty for a new file."""
        return dict(self.base.execute("SELECT key, value FROM meta"))

    def begin(self, meta: Mapping[str, str], cases: Iterable[CaseRow]) -> None:
        """Write what the study is, and its cases in place of those listed before; results stay."""
        rows = ((c.number, c.digest, c.layout, c.cycle, c.charge, c.grid, c.lanes, json.dumps(c.varied, ensure_ascii=False)) for c in cases)
        try:
            with self.base:
                self.base.execute("DELETE FROM meta")
                self.base.executemany("INSERT INTO meta VALUES (?, ?)", meta.items())
                self.base.execute("DELETE FROM cases")
                self.base.executemany("INSERT INTO cases VALUES (?, ?, ?, ?, ?, ?, ?, ?)", rows)
        except sqlite3.Error as error:
            raise self._full(error) from error

    def solved(self, columns: tuple[str, ...], *, trace: bool, again: tuple[str, ...] = ()) -> set[str]:
        """Digests that need not be solved: a result that has the columns asked for, its trip if asked for.

        again : statuses that are solved anew
        """
        traced = {digest for digest, in self.base.execute("SELECT digest FROM traces")} if trace else set()
        found = set()
        for digest, status, outputs in self.base.execute("SELECT digest, status, outputs FROM results"):
            if status in again:
                continue
            if status != "done" or (_has(json.loads(outputs), columns) and (not trace or digest in traced)):
                found.add(digest)
        return found

    def add(self, outcome: Outcome) -> None:
        """Write one result; on the disk when this returns. Raises ``RunError`` when the disk does not take it."""
        try:
            with self.base:
                self._insert(outcome)
        except sqlite3.Error as error:
            raise self._full(error) from error

    def _insert(self, outcome: Outcome) -> None:
        values = (outcome.digest, outcome.status, outcome.message, json.dumps(outcome.outputs, ensure_ascii=False, allow_nan=False),
                  outcome.seconds, outcome.memory_MB, outcome.worker, time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime()))
        self.base.execute(f"INSERT OR REPLACE INTO results ({', '.join(_RESULT)}, checksum) VALUES ({', '.join('?' * 9)})",
                          (*values, _checksum(values)))
        if outcome.trace is not None:
            self.base.execute("INSERT OR REPLACE INTO traces VALUES (?, ?, ?)",
                              (outcome.digest, outcome.trace, _checksum((outcome.trace,))))

    def _full(self, error: sqlite3.Error) -> RunError:
        what = "the disk is full" if "full" in str(error) else f"it cannot be written ({error})"
        return RunError(f"{self.path}: {what}. Every result reported before is kept; make room, then start the same command again")


_RESULT = ("digest", "status", "message", "outputs", "seconds", "memory_MB", "worker", "finished")


def _journal(base: sqlite3.Connection) -> None:
    """What was committed is on the disk, and others can read meanwhile."""
    base.execute("PRAGMA journal_mode = WAL")
    base.execute("PRAGMA synchronous = FULL")


def check_kind(base: sqlite3.Connection, path: Path) -> None:
    """Raises ``InputError`` for a file that is no store, or of a version that this ems does not know."""
    with path.open("rb") as file:
        if file.read(16) != b"SQLite format 3\0":
            raise InputError([Mistake(str(path), "", "a file that is no SQLite database, or whose beginning is damaged",
                                      "a store that ems wrote; move it away to begin anew")])
    application, = base.execute("PRAGMA application_id").fetchone()
    version, = base.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION:
        raise InputError([Mistake(str(path), "", "a file that ems did not write", "a folder without it, or one that a study filled")])
    if version != VERSION:
        raise InputError([Mistake(str(path), "user_version", str(version), f"{VERSION}, the version of this ems")])


def holds_no_table(base: sqlite3.Connection) -> bool:
    """Whether nothing was ever written: a first start that a full disk or a kill ended leaves such a file."""
    with suppress(sqlite3.DatabaseError):
        tables, = base.execute("SELECT count(*) FROM sqlite_master").fetchone()
        return bool(tables == 0)
    return False


def _is_about_space(error: sqlite3.Error) -> bool:
    return any(word in str(error) for word in ("full", "disk I/O", "readonly", "unable to open"))


def _has(outputs: Mapping[str, Any], columns: tuple[str, ...]) -> bool:
    return all(column in outputs or any(name.startswith(f"{column}.") for name in outputs) for column in columns)


def _checksum(values: tuple[Any, ...]) -> str:
    total = hashlib.sha256()
    for value in values:
        total.update((value if isinstance(value, bytes) else repr(value).encode()) + b"\0")
    return total.hexdigest()[:16]


def _readable(base: sqlite3.Connection, table: str) -> Iterator[tuple[Any, ...]]:
    """The rows of a table of a damaged file that can be read, stepping over those that cannot."""
    try:
        last = base.execute(f"SELECT max(rowid) FROM {table}").fetchone()[0] or 0
    except sqlite3.DatabaseError:
        last = 0
    for rowid in range(1, last + 1):
        with suppress(sqlite3.DatabaseError):
            yield from base.execute(f"SELECT * FROM {table} WHERE rowid = ?", (rowid,)).fetchall()
