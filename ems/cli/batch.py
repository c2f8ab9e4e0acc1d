"""``ems batch``: many cases from one study file, on every core or a cluster, and what came of them."""

from __future__ import annotations

import importlib
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ems.cli import common
from ems.cli.progress import progress
from ems.cli.usage import WrongUsage

if TYPE_CHECKING:
    from ems.output import Content
    from ems.studies.results import Study
    from ems.studies.run import Prepared

INTERRUPTED = 130
ON_SCREEN = 40      # rows of a table on a terminal


@click.group("batch")
def command() -> None:
    """Many cases from one study file: `run` solves them, `show` tells what came of them."""


@command.command("run", short_help="Solve every case of a study; again: continue.")
@click.argument("study")
@click.option("--out", "folder", type=click.Path(path_type=Path), metavar="DIR",
              help="Folder of the results; the same command again continues there.")
@click.option("--workers", type=click.IntRange(1, 1024), metavar="N", help="Processes on this machine; one a core if omitted.")
@click.option("--cluster", metavar="ADDRESS", help="Scheduler of a Dask cluster, as tcp://127.0.0.1:8786, whose workers solve instead.")
@click.option("--dry-run", is_flag=True, help="Check the study and say how many cases it has; solve and write nothing.")
@click.option("--again", is_flag=True, help="Solve cases that failed anew.")
@common.options(reads_layout=True, writes=False)
def run_command(
    run: common.Run, study: str, folder: Path | None, workers: int | None, cluster: str | None, dry_run: bool, again: bool
) -> int:
    """Solve every case of STUDY, the short name of a shipped study or a file, that --out does not hold yet.

    Every result is on the disk when it is counted: after Ctrl-C (which finishes what is in flight; again: stops at once), a power
    cut or a full disk the same command continues. A cluster's address is trusted: whoever can reach it can run code there.
    """
    if folder is None and not dry_run:
        raise WrongUsage("--out", "nothing", "--out DIR, where the results go, or --dry-run, to check the study only")
    if workers is not None and cluster is not None:
        raise WrongUsage("--workers", "--cluster too", "one of them: processes here, or a cluster elsewhere")
    from ems.present.study_text import ran_text
    from ems.studies.run import prepare_study, run_study

    with progress(run, every_s=10.0) as tell:
        prepared = prepare_study(study, overrides=run.overrides, tell=tell)
        for warning in prepared.warnings:
            run.warn(warning)
        if not dry_run and folder is not None:
            ran = run_study(prepared, folder, workers=workers or os.cpu_count() or 1, cluster=cluster, again=again, progress=tell,
                            note=run.note)
    if dry_run or folder is None:
        _show_plan(run, prepared)
        return 0
    run.finish({**ran.to_dict(), "action": "run"}, ran_text(ran))
    return INTERRUPTED if ran.status == "interrupted" else 0


def _show_plan(run: common.Run, prepared: Prepared) -> None:
    """What a study would solve."""
    plan = prepared.plan
    layouts, cycles = ([plan.seen(word) for word in words] for words in (plan.layouts, plan.cycles))
    values = {path: list(dict.fromkeys(case.varied[path] for case in prepared.cases if path in case.varied))
              for path in dict.fromkeys(p for point in plan.points for p in point)}
    distinct = len({case.digest for case in prepared.cases})
    lines = [f"{plan.name}: {len(prepared.cases)} cases, {distinct} of them different",
             f"  layouts  {', '.join(layouts)}", f"  cycles   {', '.join(cycles)}", f"  solve    {', '.join(plan.solve)}"]
    lines += [f"  vary     {path}: {_in_short(found)}" for path, found in values.items()]
    lines += [f"  require  {column}: {', '.join(f'{word} {value:g}' for word, value in limits.items())}"
              for column, limits in plan.require.items()]
    run.finish({"action": "dry-run", "study": plan.name, "cases": len(prepared.cases), "different": distinct, "layouts": layouts,
                "cycles": cycles, "solve": plan.solve, "vary": values, "columns": plan.columns, "require": plan.require},
               [*lines, "  Nothing was solved or written; time and memory are estimated after the first few cases of a run."])


def _in_short(values: list[Any]) -> str:
    words = [f"{v:g}" if isinstance(v, float) else str(v) for v in values]
    return ", ".join(words) if len(words) <= 8 else f"{', '.join(words[:3])}, .., {words[-1]} ({len(words)} values)"


@command.command("show", short_help="Table, best cases, Pareto front, heat map, page.")
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--best", metavar="COLUMN[:max]", help="The cases with the least of a column, or the most.")
@click.option("--count", type=click.IntRange(1), default=10, show_default=True, metavar="N", help="How many best cases.")
@click.option("--pareto", nargs=2, metavar="COLUMN COLUMN", help="The cases that none beats in both; NAME:max where more is better.")
@click.option("--map", "map_", nargs=3, metavar="KEY KEY COLUMN", help="With --out: a heat map of a column over two varied keys.")
@click.option("--across-cycles", is_flag=True, help="One row a variation: means over the cycles, and column@cycle.")
@click.option("--column", "asked", multiple=True, metavar="COLUMN", help="Columns to print instead of the usual ones. Repeatable.")
@click.option("--trip", type=int, metavar="CASE", help="The trip of a case as CSV, when the study keeps trips.")
@click.option("--csv", "csv_", is_flag=True, help="Print the table as CSV, every column.")
@click.option("--parquet", is_flag=True, help="With --out: the table as Parquet too (needs the extra 'parquet').")
@click.option("--report", is_flag=True, help="With --out: one page, figures inside, that you can send to anyone.")
@common.options()
def show_command(
    run: common.Run, folder: Path, best: str | None, count: int, pareto: tuple[str, str] | None, map_: tuple[str, str, str] | None,
    across_cycles: bool, asked: tuple[str, ...], trip: int | None, csv_: bool, parquet: bool, report: bool,
) -> None:
    """The table of the study that DIR holds, its best cases, a Pareto front; also while it is being solved.

    With --out: table.csv, and what is asked for as best.csv, pareto.csv, pareto.png, map.png, table.parquet, report.html.
    """
    wants_out = [name for name, given in (("--map", map_), ("--parquet", parquet), ("--report", report)) if given]
    if wants_out and run.out is None:
        raise WrongUsage(wants_out[0], "no --out", "--out DIR too, where the file goes")
    from ems.present.study_text import show_text
    from ems.studies.results import load_study

    study = load_study(folder)
    if trip is not None:
        click.echo(study.trace(trip).to_csv(lineterminator="\n"), nl=False)
        return
    table = study.across_cycles() if across_cycles else study
    for column in asked:
        _known(table, column)
    parts = _parts(table, best, count, pareto)
    files = _files(study, table, parts, pareto, map_, parquet, report) if run.out is not None else None
    if csv_ and not run.json:
        if run.folder is not None:
            run.folder.write({"schema": run.schema, "status": "done", "action": "show", **table.to_dict()}, files)
        click.echo((parts[0][2] if parts else table).to_frame().to_csv(lineterminator="\n"), nl=False)
        return
    cut = ON_SCREEN if os.isatty(1) else None
    text = show_text(study, [(heading, part) for _, heading, part in parts] or [("", table)], asked, cut)
    result = {"action": "show", **table.to_dict(), "counts": study.counts(), **{name: part.rows for name, _, part in parts}}
    run.finish(result, text, files)


def _known(table: Study, column: str) -> None:
    from ems.errors import InputError, Mistake, nearest_name

    if column not in table.headings:
        expected = f"one of {', '.join(table.headings)}"
        raise InputError([Mistake("--column", "", f"'{column}'", expected, nearest_name(column, table.headings))])


def _direction(word: str) -> tuple[str, bool]:
    """A column and whether more of it is better."""
    column, _, direction = word.rpartition(":")
    return (column, direction == "max") if direction in ("min", "max") and column else (word, False)


def _parts(table: Study, best: str | None, count: int, pareto: tuple[str, str] | None) -> list[tuple[str, str, Study]]:
    """(name, heading, table) of what is asked for beside or instead of the whole table."""
    parts = []
    if best is not None:
        column, most = _direction(best)
        table.check_column(column, "--best")
        parts.append(("best", f"{'Most' if most else 'Least'} {column}", table.best(column, most=most, count=count)))
    if pareto is not None:
        (first, first_most), (second, second_most) = map(_direction, pareto)
        for column in (first, second):
            table.check_column(column, "--pareto")
        most_of = [c for c, m in ((first, first_most), (second, second_most)) if m]
        parts.append(("pareto", f"No other case beats these in both {first} and {second}", table.pareto(first, second, most=most_of)))
    return parts


def _files(
    study: Study, table: Study, parts: list[tuple[str, str, Study]], pareto: tuple[str, str] | None, map_: tuple[str, str, str] | None,
    parquet: bool, report: bool,
) -> dict[str, Content]:
    """Name -> content of what stands beside ``result.json``."""
    from ems.present.study_figures import plot_map, plot_pareto, png

    files: dict[str, Content] = {"table.csv": table.to_frame().to_csv(lineterminator="\n")}
    files |= {f"{name}.csv": part.to_frame().to_csv(lineterminator="\n") for name, _, part in parts}
    if pareto is not None:
        (first, first_most), (second, second_most) = map(_direction, pareto)
        files["pareto.png"] = png(plot_pareto(table, first, second, most=[c for c, m in ((first, first_most), (second, second_most)) if m]))
    if map_ is not None:
        across, up, word = map_
        column, most = _direction(word)
        _check_map(table, across, up, column)
        files["map.png"] = png(plot_map(table, across, up, column, most=most))
    if parquet:
        files["table.parquet"] = _parquet(table)
    if report:
        from ems.present.study_page import study_page

        files["report.html"] = study_page(study)
    return files


def _check_map(table: Study, across: str, up: str, column: str) -> None:
    from ems.errors import Mistakes, nearest_name

    mistakes, keys = Mistakes(), ("layout", "cycle", *table.varied)
    for key in (across, up):
        if key not in keys:
            mistakes.add("--map", "", f"'{key}'", f"one of {', '.join(keys)}", nearest_name(key, keys))
    mistakes.raise_if_any()
    table.check_column(column, "--map")


def _parquet(table: Study) -> Content:
    from ems.errors import InputError, Mistake

    try:
        importlib.import_module("pyarrow")
    except ImportError:
        raise InputError([Mistake("--parquet", "", "no pyarrow here", "the extra that brings it: pip install 'ems[parquet]'")]) from None
    return lambda path: table.to_frame().to_parquet(path)
