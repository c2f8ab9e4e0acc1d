"""``ems layouts``: what is shipped, and the keys of a layout file."""

from __future__ import annotations

from typing import Any

import click

from ems.cli import common


@click.command("layouts")
@click.option("--keys", is_flag=True, help="The keys of a layout file: what each takes, unit, bounds, meaning.")
@common.options()
def command(run: common.Run, keys: bool) -> None:
    """Layouts that are shipped, by short name; with --keys what may stand in a layout file."""
    if keys:
        _show_keys(run)
    else:
        _show_layouts(run)


def _show_layouts(run: common.Run) -> None:
    from ems.cli.tables import table
    from ems.layout.listing import layout_rows

    rows = layout_rows()
    shown = [
        (row["name"], row["title"], row["engine_kW"], _machines(row), row["vehicle"], row["actuator_states"])
        for row in rows
    ]
    headings = ("layout", "what it is", ">engine kW", "machines kW", "vehicle", ">states")
    run.finish({"layouts": rows}, [table(headings, shown), "`ems new NAME FILE` copies one for you to change."])


def _machines(row: dict[str, Any]) -> str:
    return ", ".join(f"{name} {power:g}" for name, power in row["machines_kW"].items()) or "none"


def _show_keys(run: common.Run) -> None:
    from ems.cli.tables import key_table
    from ems.layout.listing import key_rows

    rows = key_rows()
    closing = ("* stands for a name of your choice; a key below it is required wherever that name is used.\n"
               "A file with based_on may leave out whatever the other layout says.")
    run.finish({"keys": rows}, [key_table(rows), closing])
