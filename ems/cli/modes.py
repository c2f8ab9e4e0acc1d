"""``ems modes``: what can be engaged, and where power flows then."""

from __future__ import annotations

import click

from ems.cli import common


@click.command("modes")
@click.argument("layout")
@common.options(reads_layout=True)
def command(run: common.Run, layout: str) -> None:
    """Every configuration that LAYOUT can run in, derived from what joins what; and the states that lock the wheels.

    LAYOUT is the short name of a shipped layout or a file of your own.
    """
    from ems.configurations import derive
    from ems.configurations.listing import modes_dict
    from ems.layout.load import load_layout
    from ems.present.modes_text import modes_text

    loaded = load_layout(layout, overrides=run.overrides)
    derivation = derive(loaded)
    run.finish(modes_dict(loaded, derivation), modes_text(loaded, derivation))
