"""``ems sensitivity``: what a small change of each quantity changes."""

from __future__ import annotations

import click

from ems.cli import common
from ems.cli.case import DEFAULT_CYCLE
from ems.cli.pages import page_files
from ems.cli.progress import progress
from ems.cli.several import load_several, several_inputs, solving_options
from ems.studies.options import grid_of


@click.command("sensitivity")
@click.argument("layout")
@click.option("--cycle", metavar="CYCLE", help=f"Shipped cycle or a file of your own; {DEFAULT_CYCLE} if omitted.")
@click.option("--quantity", "quantities", multiple=True, metavar="NAME",
              help="Only quantities whose name begins so, as gears or vehicle.mass_kg. Repeatable.")
@click.option("--costate-only", is_flag=True, help="Only the derivative from the costate: quick, without error bars.")
@solving_options
@common.report_option
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, cycle: str | None, quantities: tuple[str, ...], costate_only: bool, charge: str | None,
            grid: int, lanes: int, report: bool) -> None:
    """What one per cent more of each quantity changes in the least fuel of LAYOUT: mass, road load, ratios, ratings, battery, maps.

    By solving again with steps that stand above the error bar, checked against the derivative from the costate. With --out DIR:
    result.json, sensitivity.csv, sensitivity.png, and if asked for report.html.
    """
    run.will_write("sensitivity.csv", "sensitivity.png", report=report)
    loaded = load_several([layout], run.overrides, [cycle] if cycle else [], charge)
    with progress(run) as tell:
        from ems.judge.sensitivity import sensitivity

        result = sensitivity(loaded.layouts[0], loaded.cycles[0], charge=loaded.charge, grid=grid_of(grid), lanes=lanes,
                             quantities=quantities, resolve=not costate_only, progress=tell)

    from ems.present.sensitivity_text import save_sensitivity_figure, sensitivity_text

    full = {**result.to_dict(), **several_inputs(loaded, run.out, grid_factor=grid, lanes=lanes)}
    run.finish(full, None if run.json else sensitivity_text(result), {
        "sensitivity.csv": result.to_frame().to_csv(index=False, lineterminator="\n"),
        "sensitivity.png": lambda path: save_sensitivity_figure(result, path),
        **page_files(report, run.schema, full)} if run.out is not None else None)
