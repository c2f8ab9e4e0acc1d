"""``ems chargeable``: depleting, sustaining and weighted, by every regulation."""

from __future__ import annotations

import click

from ems.cli import common
from ems.cli.case import DEFAULT_CYCLE, Case, inputs, option
from ems.cli.pages import page_files
from ems.cli.progress import progress
from ems.regulations.figures import CHARGER_EFFICIENCY
from ems.studies.options import grid_of


@click.command("chargeable")
@click.argument("layout")
@click.option("--cycle", metavar="CYCLE", help=f"Shipped cycle or a file of your own; {DEFAULT_CYCLE} if omitted.")
@click.option("--charge", metavar="FULL:DEPLETED", help="Charge when full and when depleted, as 0.9:0.2. Omitted: window's top and target.")
@click.option("--charger-efficiency", type=click.FloatRange(0.3, 1.0), default=CHARGER_EFFICIENCY, show_default=True, metavar="X",
              help="From the mains to the battery's store.")
@click.option("--blended/--no-blended", default=True, show_default=True, help="Also the optimum for the whole trip, known beforehand.")
@click.option("--correction/--no-correction", default=True, show_default=True, help="Also the regression of the charge balance.")
@option("grid")
@common.report_option
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, cycle: str | None, charge: str | None, charger_efficiency: float, blended: bool,
            correction: bool, grid: int, report: bool) -> None:
    """The depleting sequence of LAYOUT from full charge, its sustaining run, and the weighted figures of every regulation.

    The cycle is driven again and again, electric first, until the charge is used up: a control that knows the whole trip may burn
    less, as the blended optimum tells. All figures are computed, and no type approval gives them. With --out DIR: result.json,
    legs.csv, and if asked for report.html.
    """
    run.will_write("legs.csv")
    loaded = Case(layout, run.overrides, cycle, charge=charge, grid=grid).load()
    for warning in loaded.cycle.warnings:
        run.warn(f"{loaded.cycle.name}: {warning}")
    with progress(run) as tell:
        from ems.judge.chargeable import chargeable

        found = chargeable(loaded.layout, loaded.cycle, charge=loaded.charge, charger_efficiency=charger_efficiency, blended=blended,
                           correction=correction, progress=tell, grid=grid_of(grid))
    from ems.present.chargeable_text import chargeable_text, legs_csv, texts

    recorded = inputs(loaded, run.out)
    recorded["inputs"]["options"] |= {"charger_efficiency": charger_efficiency, "blended": blended, "correction": correction}
    full = {**found.to_dict(), "regulations": texts(), **recorded}
    run.finish(full, None if run.json else chargeable_text(found, cycle_given=cycle is not None),
               {"legs.csv": legs_csv(found), **page_files(report, run.schema, full)} if run.out is not None else None)
