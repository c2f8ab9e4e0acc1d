"""``ems compare``: how far a strategy is from the optimum, second by second."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ems.cli import common
from ems.cli.case import Case, Loaded, inputs, strategy_case_options
from ems.cli.progress import progress
from ems.studies.options import grid_of

if TYPE_CHECKING:
    from ems.judge.compare import Comparison
    from ems.output import Content
    from ems.strategies.simulate import Simulation

DEFAULT_STRATEGY = "rules"
HELP = "rules, rules:FILE, ecms, ecms-adaptive, replay:FILE or python:module:Class."

Function = TypeVar("Function", bound=Callable[..., Any])


def strategy_option(*, default: str | None) -> Callable[[Function], Function]:
    """Decorator: ``--strategy``; the function is called with ``strategy``."""
    return click.option("--strategy", metavar="STRATEGY", default=default, show_default=default is not None, help=HELP)


def seen_strategy(folder: Path | None, word: str | None) -> str | None:
    """A strategy's word as a result in a folder, the current one if None, may carry it away; see ``library.seen_from``."""
    from ems.library import is_path, seen_from

    kind, _, file = (word or "").partition(":")
    file, colon, name = file.rpartition(":") if kind == "python" else (file, "", "")
    if not is_path(file) or (kind == "python" and not file.endswith(".py")):
        return word
    return f"{kind}:{seen_from(folder or Path(), file)}{colon}{name}"


@click.command("compare")
@click.argument("layout")
@strategy_option(default=DEFAULT_STRATEGY)
@strategy_case_options
@common.report_option
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, strategy: str, cycle: str | None, report: bool, **options: Any) -> None:
    """Drive a strategy through a cycle, and price every second of its distance from the optimum that ends with the same charge.

    LAYOUT is the short name of a shipped layout or a file. With --out DIR: result.json, ledger.csv, trace.csv and optimum.csv (one row an
    interval), figure.png, trip.npz (what a page needs beside), and if asked for report.html.
    """
    run.will_write("ledger.csv", "trace.csv", "optimum.csv", "figure.png", "trip.npz", report=report)
    loaded = Case(layout, run.overrides, cycle, **options).load_beside(strategy)
    simulation = simulated(run, loaded, strategy)

    from ems.judge.compare import compare
    from ems.present.compare_text import compare_text

    with progress(run) as tell:
        found = compare(simulation, progress=tell, grid=grid_of(loaded.case.grid))
    for warning in found.warnings:
        if warning not in simulation.warnings:
            run.warn(warning)
    result = {**found.to_dict(), **inputs(loaded, run.out), "strategy_word": seen_strategy(run.out, strategy),
              "notes": list(simulation.notes), "cycle_chosen": cycle is not None}
    words = f"{loaded.case.words} --strategy {strategy}"
    text = None if run.json else compare_text(found, cycle_given=cycle is not None, words=words, out=run.out)
    run.finish(result, text, _files(found, result, report) if run.out is not None else None)


def simulated(run: common.Run, loaded: Loaded, word: str) -> Simulation:
    """A strategy driven through the case's cycle, with progress, notes and warnings on stderr."""
    for warning in loaded.cycle.warnings:
        run.warn(f"{loaded.cycle.name}: {warning}")
    with progress(run) as tell:
        from ems.plant.plant import LANES, build_plant
        from ems.strategies.course import course_of
        from ems.strategies.load import load_strategy
        from ems.strategies.simulate import simulate

        strategy = load_strategy(word, loaded.layout)
        tell(f"driving {word}")
        plant = build_plant(loaded.layout, lanes=loaded.case.lanes or LANES)
        course = course_of(loaded.layout, loaded.cycle, plant)
        made = simulate(loaded.layout, loaded.cycle, strategy, charge=loaded.charge, course=course)
    for note in made.notes:
        run.note(f"{word}: {note}")
    for warning in made.warnings:
        if warning not in loaded.cycle.warnings:
            run.warn(warning)
    return made


def _files(found: Comparison, result: dict[str, Any], report: bool) -> dict[str, Content]:
    """Name -> content of what stands beside ``result.json``."""
    from ems.present.compare_figure import save_compare_figure
    from ems.present.page import REPORT_FILE
    from ems.present.page.trip import TRIP_FILE, comparison_csv, keep, trip_of_comparison

    trip = trip_of_comparison(found)
    files: dict[str, Content] = {
        **comparison_csv(found),
        "figure.png": lambda path: save_compare_figure(found, path),
        TRIP_FILE: lambda path: keep(trip, path),
    }
    if report:
        from ems.present.page.report import comparison_page, html

        files[REPORT_FILE] = html(comparison_page(trip, result))
    return files
