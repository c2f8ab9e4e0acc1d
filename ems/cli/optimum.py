"""``ems optimum``: the least fuel on a cycle, with proof."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from ems.cli import common
from ems.cli.case import Case, case_options, inputs, solve

if TYPE_CHECKING:
    from ems.output import Content
    from ems.solve.optimum import Optimum


@click.command("optimum")
@click.argument("layout")
@case_options
@click.option("--tables", is_flag=True, help="With --out: tables.npz, to check the optimum with a solver of your own.")
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, cycle: str | None, tables: bool, **options: Any) -> None:
    """The least fuel any control of LAYOUT could need on a cycle, with a proof of how near the answer is.

    LAYOUT is the short name of a shipped layout or a file. With --out DIR: result.json, trace.csv (one row an
    interval), figure.png, and tables.npz if asked for.
    """
    if tables and run.out is None:
        raise click.UsageError("--tables writes a file: say where with --out DIR.", click.get_current_context())
    loaded = Case(layout, run.overrides, cycle, **options).load()
    found = solve(run, loaded)

    from ems.present.optimum_text import optimum_text

    result = {**found.to_dict(), **inputs(loaded), "cycle_chosen": cycle is not None}
    text = None if run.json else optimum_text(
        found, cycle_given=cycle is not None, words=loaded.case.words, out=run.out)
    run.finish(result, text, _files(found, tables) if run.out is not None else None)


def _files(found: Optimum, tables: bool) -> dict[str, Content]:
    """Name -> content of what stands beside ``result.json``."""
    from ems.present.figures import save_figure

    files: dict[str, Content] = {
        "trace.csv": found.to_frame().to_csv(lineterminator="\n"),
        "figure.png": lambda path: save_figure(found, path),
    }
    if tables:
        from ems.solve.dump import dump_tables

        files["tables.npz"] = lambda path: dump_tables(found, path)
    return files
