"""``ems explain``: why this configuration at this second."""

from __future__ import annotations

from typing import Any

import click

from ems.cli import common
from ems.cli.case import Case, Loaded, case_options, meant, solve
from ems.errors import InputError, Mistake


@click.command("explain")
@click.argument("what", metavar="LAYOUT|DIR")
@click.option("--at", "time_s", type=float, required=True, metavar="T", help="Second of the cycle.")
@case_options
@common.options(reads_layout=True)
def command(run: common.Run, what: str, time_s: float, **options: Any) -> None:
    """Every configuration at second T of the optimum: what it would cost, or the limit that stops it.

    LAYOUT is solved first; DIR is a folder of `ems optimum --out`, whose inputs are solved again.
    """
    loaded = meant(Case(what, run.overrides, **options))
    _check_time(time_s, loaded)
    found = solve(run, loaded)

    from ems.judge.explain import explain
    from ems.output import plain
    from ems.present.explain_text import explain_text

    explanation = explain(found, time_s)
    result = {"layout": found.layout.name, "cycle": found.cycle.name, **plain(explanation)}
    run.finish(result, None if run.json else explain_text(explanation, found))


def _check_time(time_s: float, loaded: Loaded) -> None:
    first, end = float(loaded.cycle.time_s[0]), float(loaded.cycle.time_s[-1])
    if not first <= time_s < end:
        expected = f"a time of cycle {loaded.cycle.name}, from {first:g} s to before {end:g} s"
        raise InputError([Mistake("--at", "", f"{time_s:g}", expected)])
