"""``ems capability``: what a layout can do on the road."""

from __future__ import annotations

import dataclasses

import click

from ems.cli import common
from ems.cli.case import option, versions
from ems.cli.pages import page_files


@click.command("capability")
@click.argument("layout")
@option("grip")
@common.report_option
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, grip: float | None, report: bool) -> None:
    """Wheel force over speed, acceleration, top speed and grades of LAYOUT, at normal and at low charge.

    With --out DIR: result.json, forces.csv (one column a configuration), force.png, and if asked for report.html.
    """
    from ems.layout.load import load_layout

    run.will_write("forces.csv", "force.png", report=report)
    loaded = load_layout(layout, overrides=run.overrides)
    run.note("wheel force of every configuration")

    from ems.judge.capability import capability
    from ems.judge.full_throttle import tyres_of
    from ems.layout.listing import layout_sources
    from ems.present.capability_text import capability_text
    from ems.present.versus_figures import save_force_figure

    tyres = tyres_of(loaded)
    found = capability(loaded, tyres=tyres if grip is None else dataclasses.replace(tyres, grip=grip))
    full = {**found.to_dict(), "inputs": {"layout": layout, "layout_digest": loaded.digest, "set": list(run.overrides), "grip": grip},
            "versions": versions(), "sources": {f"{what} of {loaded.name}": source for what, source in layout_sources(loaded).items()}}
    run.finish(full, None if run.json else capability_text(found), {
        "forces.csv": found.to_frame().to_csv(lineterminator="\n"),
        "force.png": lambda path: save_force_figure({loaded.name: found}, path),
        **page_files(report, run.schema, full, found.to_frame())} if run.out is not None else None)
