"""``ems modes``: what can be engaged, and where power flows then."""

from __future__ import annotations

import click

from ems.cli import common


@click.command("modes")
@click.argument("layout")
@common.options(reads_layout=True)
def command(run: common.Run, layout: str) -> None:
    """Every configuration that LAYOUT can run in, derived from what joins what; and the states that lock the wheels.

    LAYOUT is the short name of a shipped layout or a file of your own. With --out, its drawing and a page with a
    drawing of every configuration are written too.
    """
    from ems.configurations import derive
    from ems.configurations.listing import modes_dict
    from ems.layout.load import load_layout
    from ems.present.modes_text import modes_text

    loaded = load_layout(layout, overrides=run.overrides)
    derivation = derive(loaded)
    files = None
    if run.out is not None:
        from ems.present.drawing.sheet import sheet

        made = sheet(loaded, derivation)
        files = made.files
        if made.told:
            run.note(f"not drawn in one piece, labels say what is joined: {', '.join(made.told)}")
    run.finish(modes_dict(loaded, derivation), modes_text(loaded, derivation), files)
