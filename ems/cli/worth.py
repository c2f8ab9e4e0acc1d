"""``ems worth``: what each clutch, gear and machine saves."""

from __future__ import annotations

import click

from ems.cli import common
from ems.cli.pages import page_files
from ems.cli.progress import progress
from ems.cli.several import cycles_option, load_several, several_inputs, solving_options
from ems.studies.options import grid_of

WHAT = ("control", "hardware")
KINDS = ("clutch", "brake", "shifter", "position", "gear", "machine", "configuration", "together")


@click.command("worth")
@click.argument("layout")
@cycles_option
@click.option("--part", "kinds", multiple=True, type=click.Choice(KINDS), help="Only this kind of part. Repeatable.")
@click.option("--what", multiple=True, type=click.Choice(WHAT), help="Only control forbidden, or only part deleted.")
@click.option("--ratios", is_flag=True, help="Gear ratios found anew, with everything and without each deleted part (slow).")
@solving_options
@common.report_option
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, cycle: tuple[str, ...], kinds: tuple[str, ...], what: tuple[str, ...], ratios: bool,
            charge: str | None, grid: int, lanes: int, report: bool) -> None:
    """How much more fuel LAYOUT needs without each of its parts and configurations, at best.

    Two figures a part: control forbidden (it is carried, but may not be used) and part deleted (its mass, drag and hold power are gone
    too). Several cycles: the mean, and each. With --out DIR: result.json, worth.csv, worth.png, and if asked for report.html.
    """
    run.will_write("worth.csv", "worth.png", report=report)
    loaded = load_several([layout], run.overrides, cycle, charge)
    with progress(run) as tell:
        from ems.judge.worth import KINDS as ALL
        from ems.judge.worth import worth

        wanted = [kind for kind in ALL if not kinds or kind.removeprefix("machines ") in kinds]
        result = worth(loaded.layouts[0], loaded.cycles, charge=loaded.charge, grid=grid_of(grid), lanes=lanes, what=what or WHAT,
                       kinds=wanted, ratios=ratios, progress=tell)

    from ems.present.worth_text import save_worth_figure, worth_text

    full = {**result.to_dict(), **several_inputs(loaded, run.out, grid_factor=grid, lanes=lanes, ratios=ratios)}
    run.finish(full, None if run.json else worth_text(result),
               {"worth.csv": result.to_frame().to_csv(index=False, lineterminator="\n"),
                "worth.png": lambda path: save_worth_figure(result, path), **page_files(report, run.schema, full)}
               if run.out is not None else None)
