"""``ems versus``: layouts side by side on equal terms."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from ems.cli import common
from ems.cli.compare import seen_strategy, strategy_option
from ems.cli.pages import page_files
from ems.cli.progress import progress
from ems.cli.several import cycles_option, load_several, several_inputs, solving_options
from ems.studies.options import grid_of

if TYPE_CHECKING:
    from ems.judge.versus import Versus
    from ems.output import Content


@click.command("versus")
@click.argument("layouts", nargs=-1, required=True, metavar="LAYOUT LAYOUT ...")
@cycles_option
@click.option("--same", multiple=True, metavar="PART",
              help="Take this part from the first layout for all: vehicle, battery, engine, machines. Repeatable.")
@strategy_option(default=None)
@solving_options
@common.report_option
@common.options(reads_layout=True)
def command(run: common.Run, layouts: tuple[str, ...], cycle: tuple[str, ...], same: tuple[str, ...], strategy: str | None,
            charge: str | None, grid: int, lanes: int, report: bool) -> None:
    """LAYOUTs side by side: least fuel with error bars, ties, where the energy goes, and what each can do.

    What still differs between them is listed first. A change by --set goes into every layout. A strategy's fuel is that at the
    charge the optimum ends with. With --out DIR: result.json, matrix.csv, forces.csv (wheel force over speed), fuel.png, force.png,
    and if asked for report.html.
    """
    run.will_write("matrix.csv", "forces.csv", "fuel.png", "force.png", report=report)
    loaded = load_several(layouts, run.overrides, cycle, charge)
    with progress(run) as tell:
        from ems.judge.versus import versus

        result = versus(loaded.layouts, loaded.cycles, same=same, charge=loaded.charge, grid=grid_of(grid), lanes=lanes,
                        strategy=strategy, progress=tell)

    from ems.present.versus_figures import forces_frame
    from ems.present.versus_text import versus_text

    full: dict[str, Any] = {**result.to_dict(), **several_inputs(
        loaded, run.out, grid_factor=grid, lanes=lanes, same=list(same), strategy=seen_strategy(run.out, strategy))}
    run.finish(full, None if run.json else versus_text(result), {
        **_files(result), **page_files(report, run.schema, full, forces_frame(result.capabilities))} if run.out is not None else None)


def _files(result: Versus) -> dict[str, Content]:
    from ems.present.versus_figures import forces_frame, save_force_figure, save_fuel_figure

    return {"matrix.csv": result.to_frame().to_csv(index=False, lineterminator="\n"),
            "forces.csv": forces_frame(result.capabilities).to_csv(lineterminator="\n"),
            "fuel.png": lambda path: save_fuel_figure(result, path),
            "force.png": lambda path: save_force_figure(result.capabilities, path)}
