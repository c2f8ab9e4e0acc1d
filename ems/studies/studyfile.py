"""A study file: what is varied, on which layouts and cycles, what is solved, what is required and what is kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict

from ems import library
from ems.errors import InputError, Mistake, Mistakes, nearest_name
from ems.inputfile import Number, in_words, quantity, raise_capped, read_text, read_toml, validate
from ems.studies.axes import Axis, Point, axes_of, flattened, grid_points, sample_points, toml_text
from ems.studies.how import check_options
from ems.studies.options import OPTIONS
from ems.studies.solvers import SOLVERS, Solver, gives, kept_columns

LARGEST_STUDY = 1_000_000


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class SampleTable(_Table):
    """How points are chosen: every combination, a sample, or a CSV file of cases."""

    method: Literal["grid", "latin-hypercube", "sobol", "csv"] = quantity("how points are chosen", "-", default="grid")
    count: int | None = quantity("points of a sample", "-", default=None, ge=1, le=LARGEST_STUDY)
    seed: int = quantity("start of the random numbers", "-", default=1, ge=0)
    file: str | None = quantity("CSV file of cases, a column a key", "-", default=None)


class RequireTable(_Table):
    """Limits of one column; a case that breaks one is marked, never dropped."""

    below: Number | None = quantity("the value must be below", "-", default=None)
    above: Number | None = quantity("the value must be above", "-", default=None)
    at_most: Number | None = quantity("the value may be at most", "-", default=None)
    at_least: Number | None = quantity("the value must be at least", "-", default=None)


class KeepTable(_Table):
    """What is kept of every case."""

    columns: list[str] = quantity("columns to keep; the usual ones when omitted", "-", default_factory=list)
    trace: bool = quantity("whether trips are kept second by second", "-", default=False)


def _option(name: str) -> Any:
    """A key of its own for an option of the commands; its value is checked by the option itself, wherever it stands."""
    return quantity(OPTIONS[name].meaning, "-", default=None)


class StudyFile(_Table):
    """The file as it is written."""

    name: str = quantity("what the study is called", "-", min_length=1)
    summary: str = quantity("what it asks", "-", default="")
    layouts: list[str] = quantity("layouts: short names, or files beside the study's", "-", min_length=1)
    cycles: list[str] = quantity("cycles: short names, or files beside the study's", "-", min_length=1)
    solve: list[str] = quantity("what is solved for every case", "-", default_factory=lambda: ["optimum"], min_length=1)
    charge: Any = _option("charge")
    grid: Any = _option("grid")
    lanes: Any = _option("lanes")
    dwell: Any = _option("dwell")
    engine_on: Any = _option("engine_on")
    engine_off: Any = _option("engine_off")
    cold: Any = _option("cold")
    gap: Any = _option("gap")
    strategy: Any = _option("strategy")
    grip: Any = _option("grip")
    quantities: Any = _option("quantities")
    costate_only: Any = _option("costate_only")
    set: dict[str, Any] = quantity("keys changed alike in every case", "-", default_factory=dict)
    vary: dict[str, Any] = quantity("keys that are varied", "-", default_factory=dict)
    sample: SampleTable = quantity("how points are chosen", "-", default_factory=SampleTable)
    require: dict[str, RequireTable] = quantity("limits of columns", "-", default_factory=dict)
    keep: KeepTable = quantity("what is kept", "-", default_factory=KeepTable)


@dataclass(frozen=True, slots=True)
class Plan:
    """A study that reads well; its cases are yet to be loaded.

    text : of the file      layouts, cycles : words, paths absolute      changes : ``KEY=VALUE`` of every case
    options : those the file gives for every case, as written
    axes : what is varied; empty when the points come from a file      points : every combination to solve
    require : column -> limit -> value      columns : to keep
    """

    path: Path
    text: str
    name: str
    summary: str
    layouts: tuple[str, ...]
    cycles: tuple[str, ...]
    solve: tuple[str, ...]
    options: dict[str, Any]
    changes: tuple[str, ...]
    axes: tuple[Axis, ...]
    points: tuple[Point, ...]
    require: dict[str, dict[str, float]]
    columns: tuple[str, ...]
    trace: bool

    @property
    def solvers(self) -> tuple[Solver, ...]:
        """What is solved."""
        return tuple(SOLVERS[name] for name in self.solve)

    def seen(self, word: str) -> str:
        """A layout's or cycle's word as results carry it: a path seen from the study's folder."""
        return library.seen_from(self.path.parent, word)

    @property
    def case_count(self) -> int:
        """Layouts times cycles times points."""
        return len(self.layouts) * len(self.cycles) * len(self.points)


def read_study(word: str) -> Plan:
    """The study a word stands for: a shipped one by short name, or a file.

    Raises ``InputError`` with every mistake that can be seen without loading a layout.
    """
    path = library.find("study", word, where="STUDY")
    where = word if library.is_path(word) else path.name
    text, data, mistakes = read_text(path, where), read_toml(path, where), Mistakes()
    try:
        file = validate(StudyFile, _alone_as_list(data), where)
    except InputError as error:
        mistakes.extend(error)
        _axes_anyway(data, where, mistakes)
        raise_capped(mistakes)
        raise
    _check_solve(file, where, mistakes)
    solve = tuple(name for name in file.solve if name in SOLVERS)
    axes = axes_of(file.vary, where, mistakes, divided=file.sample.method == "grid")
    points = _points(file, axes, where, path.parent, mistakes)
    options = {name: value for name in OPTIONS if (value := getattr(file, name)) is not None}
    check_options(options, str, where, mistakes)
    _check_heeded(options, points, solve, where, mistakes)
    _check_columns(file, solve, where, mistakes)
    beside = path.parent
    plan = Plan(
        path, text, file.name, file.summary, _words(file.layouts, "layouts", where, beside, mistakes),
        _words(file.cycles, "cycles", where, beside, mistakes), solve, options,
        tuple(f"{key}={toml_text(value)}" for key, value in flattened(file.set)), axes, points,
        {column: limits.model_dump(exclude_none=True) for column, limits in file.require.items()},
        kept_columns(solve, tuple(file.keep.columns)), file.keep.trace)
    if plan.case_count > LARGEST_STUDY:
        mistakes.add(where, "", f"{plan.case_count} cases", f"at most {LARGEST_STUDY}; a sample needs fewer than a full grid")
    raise_capped(mistakes)
    return plan


def _alone_as_list(data: Mapping[str, Any]) -> dict[str, Any]:
    """A single word where a list may stand."""
    return {k: [v] if k in ("layouts", "cycles", "solve", "quantities") and isinstance(v, str) else v for k, v in data.items()}


def _axes_anyway(data: Mapping[str, Any], where: str, mistakes: Mistakes) -> None:
    """What is wrong with the axes too, when other parts of the file are wrong."""
    sample = data.get("sample")
    if isinstance(data.get("vary"), Mapping):
        axes_of(data["vary"], where, mistakes, divided=not isinstance(sample, Mapping) or sample.get("method", "grid") == "grid")


def _words(words: list[str], key: str, where: str, beside: Path, mistakes: Mistakes) -> tuple[str, ...]:
    """Words of layouts or cycles, each once; paths made absolute, beside the study's file."""
    for i, word in enumerate(words, 1):
        if word in words[:i - 1]:
            mistakes.add(where, f"{key}.{i}", f"'{word}' twice", "each once")
    return tuple(str((beside / Path(w).expanduser()).absolute()) if library.is_path(w) else w.lower() for w in words)


def _check_solve(file: StudyFile, where: str, mistakes: Mistakes) -> None:
    for i, name in enumerate(file.solve, 1):
        if name not in SOLVERS:
            mistakes.add(where, f"solve.{i}", in_words(name), f"one of {', '.join(SOLVERS)}, which is what this version of ems solves "
                         "in a study", nearest_name(name, SOLVERS))
        elif name in file.solve[:i - 1]:
            mistakes.add(where, f"solve.{i}", f"{in_words(name)} twice", "each once")


def _check_heeded(options: Mapping[str, Any], points: tuple[Point, ...], solve: tuple[str, ...], where: str, mistakes: Mistakes) -> None:
    """Every option must mean something to what is solved, and nothing solved may lack one that changes the problem of the others."""
    keys = {name: name for name in options} | {path: f"vary.{path}" for point in points for path in point if is_how(path)}
    for name, key in keys.items():
        deaf = [solver for solver in solve if name in SOLVERS[solver].refuses]
        if deaf:
            mistakes.add(where, key, f"an option that '{deaf[0]}' does not know", f"it in a study without {', '.join(deaf)}")
        elif solve and not any(name in SOLVERS[solver].heeds for solver in solve):
            heeding = [solver for solver in SOLVERS if name in SOLVERS[solver].heeds]
            mistakes.add(where, key, "an option that nothing in `solve` heeds", f"it with {' or '.join(heeding)}")


def _check_columns(file: StudyFile, solve: tuple[str, ...], where: str, mistakes: Mistakes) -> None:
    """Columns kept must be given by a solver, and those required must be kept."""
    known = list(dict.fromkeys(column for name in solve for column in (*SOLVERS[name].columns, *SOLVERS[name].groups, *SOLVERS[name].kept)))
    kept = kept_columns(solve, tuple(file.keep.columns))
    for i, column in enumerate(file.keep.columns, 1):
        if solve and not gives(solve, column):
            mistakes.add(where, f"keep.columns.{i}", in_words(column), f"one of {', '.join(known)}", nearest_name(column, known))
    for column, limits in file.require.items():
        if not limits.model_dump(exclude_none=True):
            mistakes.add(where, f"require.{column}", "no limit", f"one of {', '.join(RequireTable.model_fields)}")
        if solve and not gives(solve, column):
            mistakes.add(where, f"require.{column}", "a column that nothing in `solve` gives", f"one of {', '.join(known)}",
                         nearest_name(column, known))
        elif solve and column not in kept and column.partition(".")[0] not in kept:
            mistakes.add(where, f"require.{column}", "a column that keep.columns leaves out", f"'{column}' among keep.columns")


# ----------------------------------------------------------------------------------------------------- points


def _points(file: StudyFile, axes: tuple[Axis, ...], where: str, beside: Path, mistakes: Mistakes) -> tuple[Point, ...]:
    sample, before = file.sample, len(mistakes.found)
    needs_count = sample.method in ("latin-hypercube", "sobol")
    if needs_count and sample.count is None:
        mistakes.add(where, "sample.count", "nothing", "the number of points of the sample")
    if not needs_count and sample.count is not None:
        mistakes.add(where, "sample.count", str(sample.count), f"no count with method '{sample.method}'")
    if needs_count and not file.vary:
        mistakes.add(where, "vary", "nothing", "at least one key for a sample to vary")
    if (sample.method == "csv") != (sample.file is not None):
        found = in_words(sample.file) if sample.file else "nothing"
        mistakes.add(where, "sample.file", found, "a CSV file with method 'csv', and only then")
    if sample.method == "csv" and file.vary:
        mistakes.add(where, "vary", f"{len(axes)} keys beside a CSV file of cases", "one or the other")
    if len(mistakes.found) > before or len(axes) < len(list(flattened(file.vary))):
        return ()
    if sample.method == "csv" and sample.file is not None:
        return _points_of_csv(library_path(sample.file, beside), sample.file, mistakes)
    if needs_count and sample.count is not None:
        return tuple(sample_points(axes, sample.method, sample.count, sample.seed))
    total = 1
    for axis in axes:
        total *= len(axis.values)
    if total > LARGEST_STUDY:
        mistakes.add(where, "vary", f"{total} combinations", f"at most {LARGEST_STUDY}; a sample needs fewer than a full grid")
        return ()
    return tuple(grid_points(axes))


def library_path(word: str, beside: Path) -> Path:
    """A file named in a study, beside the study's own unless its path is absolute."""
    return beside / Path(word).expanduser()


def _points_of_csv(path: Path, where: str, mistakes: Mistakes) -> tuple[Point, ...]:
    """The rows of a CSV file of cases: a header of keys, values as after ``--set``; lines that begin with # are skipped."""
    import csv

    try:
        lines = read_text(path, where).splitlines()
    except InputError as error:
        mistakes.extend(error)
        return ()
    numbered = [(n, line) for n, line in enumerate(lines, start=1) if line.strip() and not line.lstrip().startswith("#")]
    rows = list(zip((n for n, _ in numbered), csv.reader([line for _, line in numbered], skipinitialspace=True), strict=False))
    if len(rows) < 2:
        mistakes.add(where, "", "no rows", "a header of keys and at least one row of values")
        return ()
    header = [cell.strip() for cell in rows[0][1]]
    for name in dict.fromkeys(header):
        if header.count(name) > 1 or not name:
            mistakes.add(where, f"line {rows[0][0]}", f"column '{name}' {header.count(name)} times" if name else "a column without a name",
                         "each key once")
    return tuple(point for line, cells in rows[1:] if (point := _point_of_row(header, cells, line, where, mistakes)) is not None)


def _point_of_row(header: list[str], cells: list[str], line: int, where: str, mistakes: Mistakes) -> Point | None:
    from ems.layout.override import parse

    if len(cells) != len(header):
        mistakes.add(where, f"line {line}", f"{len(cells)} values", f"{len(header)}, as in the header")
        return None
    point: Point = {}
    for name, cell in zip(header, cells, strict=True):
        try:
            point[name] = cell.strip() if name in ("charge", "strategy") else parse(f"{name}={cell.strip()}", where)[1]
        except InputError as error:
            mistakes.found += [Mistake(where, f"line {line}, column {name}", m.found, m.expected) for m in error.mistakes]
    return point


def is_how(path: str) -> bool:
    """Whether a varied key says how a case is solved rather than what."""
    return path in OPTIONS
