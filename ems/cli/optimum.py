"""``ems optimum``: the least fuel on a cycle, with proof."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from ems.cli import common
from ems.cli.case import Case, case_options, inputs, solve
from ems.cli.usage import WrongUsage

if TYPE_CHECKING:
    from ems.output import Content
    from ems.solve.optimum import Optimum
    from ems.solve.polish import Polished


@click.command("optimum")
@click.argument("layout")
@case_options
@click.option("--tables", is_flag=True, help="With --out: tables.npz, to check the optimum with a solver of your own.")
@click.option("--polish", is_flag=True, help="A second opinion: one smooth nonlinear program over the same configurations.")
@common.report_option
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, cycle: str | None, tables: bool, polish: bool, report: bool, **options: Any) -> None:
    """The least fuel any control of LAYOUT could need on a cycle, with a proof of how near the answer is.

    LAYOUT is the short name of a shipped layout or a file. With --out DIR: result.json, trace.csv (one row an
    interval), figure.png, trip.npz (what a page needs beside), and if asked for report.html,
    tables.npz, and polished.csv, the polished trip in the true plant.
    """
    if tables and run.out is None:
        raise WrongUsage("--tables", "no --out", "--out DIR too, where the file goes")
    run.will_write("trace.csv", "figure.png", "trip.npz", *(["tables.npz"] if tables else []), *(["polished.csv"] if polish else []),
                   report=report)
    loaded = Case(layout, run.overrides, cycle, **options).load()
    found = solve(run, loaded)
    polished = _polished(run, found) if polish else None

    from ems.present.optimum_text import optimum_text
    from ems.present.polish_text import polish_text

    result = {**found.to_dict(), **inputs(loaded, run.out), "cycle_chosen": cycle is not None}
    if polished is not None:
        result["polish"] = polished.to_dict()
    text = None if run.json else optimum_text(
        found, cycle_given=cycle is not None, words=loaded.case.words, out=run.out)
    if text is not None and polished is not None:
        text += polish_text(polished)
    files = _files(found, tables, polished) if run.out is not None else None
    if files is not None:
        from ems.present.page.trip import TRIP_FILE, keep, trip_of

        trip = trip_of(found)
        files[TRIP_FILE] = lambda path: keep(trip, path)
        if report:
            from ems.present.page import REPORT_FILE
            from ems.present.page.report import html, optimum_page

            files[REPORT_FILE] = html(optimum_page(trip, result))
    run.finish(result, text, files)


def _polished(run: common.Run, found: Optimum) -> Polished:
    """The optimum's trip polished, told on stderr while it is done."""
    from ems.cli.progress import progress

    with progress(run) as tell:
        tell("polishing: one smooth program over the whole trip")
        from ems.solve.polish import polish

        polished = polish(found)
    if not polished.solved:
        run.warn(f"the polish did not converge: {polished.status}")
    return polished


def _files(found: Optimum, tables: bool, polished: Polished | None) -> dict[str, Content]:
    """Name -> content of what stands beside ``result.json``."""
    from ems.output import csv_text
    from ems.present.figures import save_figure

    files: dict[str, Content] = {
        "trace.csv": csv_text(found.to_frame()),
        "figure.png": lambda path: save_figure(found, path),
    }
    if polished is not None:
        files["polished.csv"] = csv_text(polished.trace.to_frame())
    if tables:
        from ems.solve.dump import dump_tables

        files["tables.npz"] = lambda path: dump_tables(found, path)
    return files
