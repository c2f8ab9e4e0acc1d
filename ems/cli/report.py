"""``ems report``: one page to look into an optimum."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ems.cli import common
from ems.cli.case import Case, case_options, inputs, is_folder, meant, solve
from ems.output import OutputFolder
from ems.present.page import REPORT_FILE


@click.command("report")
@click.argument("what", metavar="LAYOUT|DIR")
@case_options
@common.options(reads_layout=True)
def command(run: common.Run, what: str, **options: Any) -> None:
    """One HTML page of an optimum: every second with what is engaged and where power flows, and why.

    DIR is a folder of `ems optimum --out`: its inputs are solved again, and report.html is put there. LAYOUT is solved
    first; say with --out where the page goes. The page needs no network.
    """
    beside = is_folder(what) and run.out is None
    if not beside and run.out is None:
        raise click.UsageError("the page is a file: say where with --out DIR.", click.get_current_context())
    folder = Path(what).expanduser() if run.out is None else run.out
    if beside:
        OutputFolder(folder).check_add(REPORT_FILE)
    loaded = meant(Case(what, run.overrides, **options))
    found = solve(run, loaded)

    from ems.present.page.report import report_page

    said = {**found.to_dict(), **inputs(loaded)}
    page = report_page(found, said)
    size = len(page.encode())
    told = {"layout": found.layout.name, "cycle": found.cycle.name, "fuel_l_per_100km": found.fuel_l_per_100km,
            "report": str(folder / REPORT_FILE), "bytes": size}
    if beside:
        OutputFolder(folder).add(REPORT_FILE, page)
    text = f"{told['report']}: {found.layout.name} on {found.cycle.name}, {size / 1e6:.1f} MB. Open it in any browser."
    run.finish({**said, **told}, None if run.json else text, None if beside else {REPORT_FILE: page})
