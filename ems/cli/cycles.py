"""``ems cycles``: the drive cycles that are shipped, with their totals."""

from __future__ import annotations

import re
from typing import Any

import click

from ems.cli import common


@click.command("cycles")
@click.argument("words", nargs=-1, metavar="[CYCLE]...")
@common.options()
def command(run: common.Run, words: tuple[str, ...]) -> None:
    """Drive cycles that are shipped, or those named (short name or a file of your own), with their totals."""
    from ems.cli.tables import table
    from ems.trips.listing import cycle_rows

    rows: list[dict[str, Any]] = cycle_rows(words or None)
    for row in rows:
        for warning in row["warnings"]:
            run.warn(warning)
    shown = [
        (row["name"], row["title"], f"{row['duration_s']:g}", f"{row['distance_km']:.3f}",
         f"{row['mean_speed_kmh']:.1f}", f"{row['max_speed_kmh']:.1f}", row["stops"], f"{row['climb_m']:.0f}",
         len(row["phases"]) or "", re.split("[:;]", row["status"])[0])
        for row in rows
    ]
    headings = ("cycle", "what it is", ">s", ">km", ">mean km/h", ">max km/h", ">stops", ">climb m", ">phases",
                "status")
    run.finish({"cycles": rows}, [table(headings, shown), *_details(rows if words else [])])


def _details(rows: list[dict[str, Any]]) -> list[Any]:
    """Phases, source and notes of cycles that were asked for by name."""
    lines: list[Any] = []
    for row in rows:
        lines += [f"{row['name']}: {row['status'] or 'not verified'}", f"  source: {row['source'] or 'not stated'}"]
        lines += [
            f"  {p['name']}: {p['start_s']:g} to {p['end_s']:g} s, {p['distance_km']:.3f} km" for p in row["phases"]
        ]
        lines += [f"  note: {note}" for note in row["notes"]]
    return lines
