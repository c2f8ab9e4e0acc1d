"""A study as it was found in its folder: table, best cases, Pareto front, cycles side by side, trips."""

from __future__ import annotations

import io
import json
import sqlite3
import tomllib
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeGuard

from ems.errors import InputError, Mistake, nearest_name
from ems.studies.store import FILE, check_kind

if TYPE_CHECKING:
    import pandas as pd

CASE = ("case", "layout", "cycle")
STATE = ("status", "message", "meets", "broken", "seconds")
LIMITS: dict[str, tuple[str, Callable[[float, float], bool]]] = {"below": ("<", lambda v, x: v < x), "above": (">", lambda v, x: v > x),
          "at_most": ("<=", lambda v, x: v <= x), "at_least": (">=", lambda v, x: v >= x)}


@dataclass(frozen=True, slots=True)
class Study:
    """A study and its table, one row a case, those without a result too.

    folder : where it was read from, None for a table made from another      name, summary, text : of the study file
    solve : what was solved      varied : paths that were varied      columns : those that were solved for
    require : column -> limit -> value      sources, versions : where the data come from, what solved it
    rows : column -> value, in the order of ``headings``
    """

    folder: Path | None
    name: str
    summary: str
    text: str
    solve: tuple[str, ...]
    varied: tuple[str, ...]
    columns: tuple[str, ...]
    require: dict[str, dict[str, float]]
    sources: dict[str, dict[str, str]]
    versions: dict[str, str]
    rows: tuple[dict[str, Any], ...]

    @property
    def headings(self) -> tuple[str, ...]:
        """Columns of the table: case, what varied, what was solved for, what became of it."""
        return tuple(self.rows[0]) if self.rows else (*CASE, *self.varied, *self.columns, *STATE)

    def to_frame(self) -> pd.DataFrame:
        """The table, indexed by ``case``."""
        import pandas as pd

        return pd.DataFrame(list(self.rows), columns=list(self.headings)).set_index("case")

    def to_dict(self) -> dict[str, Any]:
        """Everything but the folder, plain values."""
        return {name: getattr(self, name) for name in ("name", "summary", "solve", "varied", "columns", "require", "sources", "versions",
                                                       "rows")}

    @property
    def done(self) -> tuple[dict[str, Any], ...]:
        """The rows that were solved."""
        return tuple(row for row in self.rows if row["status"] == "done")

    @property
    def cold(self) -> bool:
        """Whether every case starts with a cold engine, as the file says or each row."""
        return tomllib.loads(self.text).get("cold") is True or (bool(self.rows) and all(row.get("cold") is True for row in self.rows))

    def counts(self) -> dict[str, int]:
        """How many cases came to what; ``open`` are without a result."""
        found = {"done": 0, "not followed": 0, "failed": 0, "open": 0}
        for row in self.rows:
            found[row["status"]] += 1
        return found

    def check_column(self, column: str, where: str) -> str:
        """The column, which must hold numbers; raises ``InputError`` naming the nearest one."""
        known = [name for name in self.headings if any(_is_number(row.get(name)) for row in self.rows)]
        if column not in known:
            raise InputError([Mistake(where, "", f"'{column}'", f"a column of numbers: {', '.join(known)}", nearest_name(column, known))])
        return column

    def best(self, column: str, *, most: bool = False, count: int = 10) -> Study:
        """The cases with the least (or the most) of a column, of those that meet every requirement; ties by number of case."""
        self.check_column(column, "best")
        fit = [row for row in self.done if row["meets"] is not False and _is_number(row[column])]
        return replace(self, rows=tuple(sorted(fit, key=lambda row: (-row[column] if most else row[column], row["case"]))[:count]))

    def pareto(self, first: str, second: str, *, most: Sequence[str] = ()) -> Study:
        """The cases that no other beats in both columns, along the first; less is better, more for columns named in ``most``.

        Only cases that were solved and meet every requirement count; of equal ones the first case.
        """
        for column in (first, second):
            self.check_column(column, "pareto")
        sign = [-1.0 if column in most else 1.0 for column in (first, second)]
        fit = [row for row in self.done if row["meets"] is not False and _is_number(row[first]) and _is_number(row[second])]
        front, least = [], float("inf")
        for row in sorted(fit, key=lambda r: (sign[0] * r[first], sign[1] * r[second], r["case"])):
            if sign[1] * row[second] < least:
                front.append(row)
                least = sign[1] * row[second]
        return replace(self, rows=tuple(front))

    def across_cycles(self) -> Study:
        """One row a variation: each number averaged over the cycles, and beside it ``column@cycle``.

        Variations without a result on every cycle keep their status and no means.
        """
        cycles = list(dict.fromkeys(row["cycle"] for row in self.rows))
        groups: dict[str, list[dict[str, Any]]] = {}
        for row in self.rows:
            groups.setdefault(json.dumps([row["layout"], *(row[path] for path in self.varied)]), []).append(row)
        columns = [c for c in self.headings if c not in (*CASE, *STATE, *self.varied) and any(_is_number(row[c]) for row in self.rows)]
        made = [_averaged(group, columns, self.varied, cycles) for group in groups.values()]
        return replace(self, rows=tuple(made), columns=tuple(columns), folder=None)

    def trace(self, case: int) -> pd.DataFrame:
        """The trip of a case, second by second, when the study keeps trips. Raises ``InputError`` when it does not."""
        import pandas as pd

        if self.folder is not None:
            with _opened(self.folder) as base:
                found = base.execute("SELECT csv FROM traces JOIN cases USING (digest) WHERE number = ?", (case,)).fetchone()
            if found is not None:
                return pd.read_csv(io.BytesIO(zlib.decompress(found[0])), index_col=0)
        raise InputError([Mistake("trace", "", f"case {case}", "a solved case of a study with keep.trace = true")])


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _averaged(group: list[dict[str, Any]], columns: list[str], varied: tuple[str, ...], cycles: list[str]) -> dict[str, Any]:
    """One row from those of a variation on every cycle."""
    by_cycle = {row["cycle"]: row for row in group}
    states = [row["status"] for row in group]
    worst = next((s for s in ("failed", "open", "not followed") if s in states), "done")
    meets = [row["meets"] for row in group]
    row: dict[str, Any] = {"case": group[0]["case"], "layout": group[0]["layout"], "cycle": f"mean of {len(cycles)}"}
    row |= {path: group[0][path] for path in varied}
    for column in columns:
        values = [by_cycle[c][column] if c in by_cycle else None for c in cycles]
        numbers = [value for value in values if _is_number(value)]
        row[column] = sum(numbers) / len(numbers) if len(numbers) == len(values) else None
        row |= {f"{column}@{cycle}": value for cycle, value in zip(cycles, values, strict=True)}
    return row | {"status": worst, "message": "; ".join(dict.fromkeys(r["message"] for r in group if r["message"])),
                  "meets": False if False in meets else None if None in meets else True,
                  "broken": "; ".join(dict.fromkeys(r["broken"] for r in group if r["broken"])),
                  "seconds": sum(r["seconds"] or 0.0 for r in group)}


# ------------------------------------------------------------------------------------------------------- reading


def load_study(folder: str | Path) -> Study:
    """The study that a folder holds, also while it is being filled.

    Raises ``InputError`` for a folder without a study, or one of another version.
    """
    path = Path(folder)
    with _opened(path) as base:
        meta = dict(base.execute("SELECT key, value FROM meta"))
        found = base.execute(
            "SELECT number, layout, cycle, varied, status, message, outputs, seconds FROM cases LEFT JOIN results USING (digest) "
            "ORDER BY number").fetchall()
    if "name" not in meta:
        raise _no_study(path)
    read = {key: json.loads(meta[key]) for key in ("solve", "varied", "columns", "require", "sources", "versions")}
    return Study(path, meta["name"], meta["summary"], meta["text"], tuple(read["solve"]), tuple(read["varied"]), tuple(read["columns"]),
                 read["require"], read["sources"], read["versions"], tuple(_rows(found, read)))


def _rows(found: Sequence[tuple[Any, ...]], meta: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Rows of the table, all with the same columns; a group spreads into those that any case has."""
    outputs = [json.loads(row[6]) if row[6] else {} for row in found]
    seen = dict.fromkeys(name for o in outputs for name in o)
    columns = [name for column in meta["columns"] for name in (
        [n for n in seen if n.startswith(f"{column}.")] or ([] if any(n.startswith(f"{column}.") for n in seen) else [column]))]
    for (number, layout, cycle, varied, status, message, _, seconds), values in zip(found, outputs, strict=True):
        own = json.loads(varied)
        broken, unknown = _judged(values, meta["require"])
        yield {
            "case": number, "layout": _short(layout), "cycle": _short(cycle), **{path: own.get(path) for path in meta["varied"]},
            **{name: values.get(name) for name in columns}, "status": status or "open", "message": message or "",
            "meets": None if status != "done" or (unknown and not broken) else not broken, "broken": "; ".join(broken), "seconds": seconds,
        }


def _short(word: str) -> str:
    """Name of a layout or cycle; the stem of a path."""
    return Path(word).stem if "/" in word or "\\" in word else word


def _judged(values: dict[str, Any], require: dict[str, dict[str, float]]) -> tuple[list[str], bool]:
    """The requirements that are broken, in words, and whether any could not be judged."""
    broken, unknown = [], False
    for column, limits in require.items():
        value = values.get(column)
        for word, limit in limits.items():
            sign, holds = LIMITS[word]
            if column in values and value is None:      # a speed that is never reached, for instance
                broken.append(f"{column} none, not {sign} {limit:g}")
            elif not _is_number(value):
                unknown = True
            elif not holds(value, limit):
                broken.append(f"{column} {value:.4g}, not {sign} {limit:g}")
    return broken, unknown


def _no_study(folder: Path) -> InputError:
    return InputError([Mistake(str(folder), "", "no study", "a folder that `ems batch run` filled")])


@contextmanager
def _opened(folder: Path) -> Iterator[sqlite3.Connection]:
    """The store of a folder for reading, beside a process that writes or on a medium that cannot be written to."""
    path = folder / FILE
    if not path.is_file() or path.stat().st_size == 0:
        raise _no_study(folder)
    place = path.absolute().as_uri()
    try:
        with closing(_reading(place)) as base:
            check_kind(base, path)
            yield base
    except sqlite3.Error as error:
        raise InputError([Mistake(str(path), "", f"a damaged file ({error})", "one that is sound; `ems batch run` mends it")]) from None


def _reading(place: str) -> sqlite3.Connection:
    for mode in ("mode=ro", "immutable=1"):
        base = sqlite3.connect(f"{place}?{mode}", uri=True, timeout=10.0)
        try:
            base.execute("SELECT count(*) FROM sqlite_master").fetchone()
            return base
        except sqlite3.OperationalError:
            base.close()
            if mode != "mode=ro":
                raise
    raise AssertionError
