"""``ems explain``: why this configuration at this second."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from ems.cli import common
from ems.cli.case import STRATEGY_OPTIONS, Case, Loaded, case_options, meant, solve
from ems.cli.compare import simulated, strategy_option
from ems.cli.progress import progress
from ems.cli.usage import WrongUsage
from ems.errors import InputError, Mistake
from ems.studies.options import grid_of

if TYPE_CHECKING:
    from ems.judge.explain import Explanation


@click.command("explain")
@click.argument("what", metavar="LAYOUT|DIR")
@click.option("--at", "time_s", type=float, required=True, metavar="T", help="Second of the cycle.")
@strategy_option(default=None)
@case_options
@common.options(reads_layout=True)
def command(run: common.Run, what: str, time_s: float, strategy: str | None, **options: Any) -> None:
    """Every configuration at second T of the optimum: what it would cost, or the limit that stops it.

    LAYOUT is solved first; DIR is a folder of `ems optimum --out`, whose inputs are solved again. With --strategy the second is one of the
    strategy's trip: what it chose, what was best at its state, and what that cost.
    """
    loaded = meant(Case(what, run.overrides, **options), strategy)
    _check_time(time_s, loaded)
    if strategy is not None and not set(loaded.case.options) <= set(STRATEGY_OPTIONS):
        raise WrongUsage("--strategy", "--dwell, --engine-on, --engine-off, --cold or --gap too",
                         "none of them: a strategy drives a warm engine, without least times but the engine's own, and proves no gap")
    explanation = _of_optimum(run, loaded, time_s) if strategy is None else _of_strategy(run, loaded, strategy, time_s)

    from ems.output import plain
    from ems.present.explain_text import explain_text

    names = {"layout": loaded.layout.name, "cycle": loaded.cycle.name}
    run.finish({**names, **plain(explanation)}, None if run.json else explain_text(explanation, **names))


def _of_optimum(run: common.Run, loaded: Loaded, time_s: float) -> Explanation:
    found = solve(run, loaded)

    from ems.judge.explain import explain

    return explain(found, time_s)


def _of_strategy(run: common.Run, loaded: Loaded, word: str, time_s: float) -> Explanation:
    simulation = simulated(run, loaded, word)

    from ems.judge.compare import held_against
    from ems.judge.explain import explain_strategy

    with progress(run) as tell:
        _, entries = held_against(simulation, progress=tell, grid=grid_of(loaded.case.grid))
    return explain_strategy(entries, simulation.trace, time_s)


def _check_time(time_s: float, loaded: Loaded) -> None:
    first, end = float(loaded.cycle.time_s[0]), float(loaded.cycle.time_s[-1])
    if not first <= time_s < end:
        expected = f"a time of cycle {loaded.cycle.name}, from {first:g} s to before {end:g} s"
        raise InputError([Mistake("--at", "", f"{time_s:g}", expected)])
