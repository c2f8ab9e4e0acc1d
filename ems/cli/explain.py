"""``ems explain``: why this configuration at this second."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ems.cli import common
from ems.cli.case import STRATEGY_OPTIONS, Case, Loaded, case_options, recorded, solve
from ems.cli.compare import simulated, strategy_option, tables_grid
from ems.cli.progress import progress
from ems.errors import InputError, Mistake

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
    _check_exists(what)
    given = Case(what, run.overrides, **options)
    loaded = _from_folder(given) if _is_folder(what) else given.load()
    _check_time(time_s, loaded)
    if strategy is not None and not set(loaded.case.options) <= set(STRATEGY_OPTIONS):
        raise click.UsageError("a strategy drives a warm engine, without least times but the engine's own: "
                               "leave out --dwell, --engine-on, --engine-off and --cold.", click.get_current_context())
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
        _, entries = held_against(simulation, progress=tell, grid=tables_grid(loaded))
    return explain_strategy(entries, simulation.trace, time_s)


def _check_exists(word: str) -> None:
    """A path must be there: a layout file or a folder; short names are left to the loader."""
    from ems import library

    if library.is_path(word) and not Path(word).expanduser().exists():
        raise InputError([Mistake("LAYOUT|DIR", "", f"'{word}'", "an existing layout file, or a folder that `ems optimum --out` wrote")])


def _is_folder(word: str) -> bool:
    """Whether the word means a folder: a shipped layout's short name comes first."""
    from ems import library

    shipped = not library.is_path(word) and word.lower() in {n.lower() for n in library.names("layout")}
    return not shipped and Path(word).expanduser().is_dir()


def _from_folder(given: Case) -> Loaded:
    """The case a folder records; options that would change it are wrong usage."""
    if given != Case(given.layout):
        raise click.UsageError("a folder brings its own inputs: leave out --set and the options of the case, or name the "
                               "layout instead.", click.get_current_context())
    return recorded(Path(given.layout).expanduser())


def _check_time(time_s: float, loaded: Loaded) -> None:
    first, end = float(loaded.cycle.time_s[0]), float(loaded.cycle.time_s[-1])
    if not first <= time_s < end:
        expected = f"a time of cycle {loaded.cycle.name}, from {first:g} s to before {end:g} s"
        raise InputError([Mistake("--at", "", f"{time_s:g}", expected)])
