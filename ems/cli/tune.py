"""``ems tune``: fit a calibration of the rules; judge it on unseen cycles."""

from __future__ import annotations

from pathlib import Path

import click

from ems.cli import common
from ems.cli.compare import seen_strategy
from ems.cli.progress import progress
from ems.errors import InputError, Mistake


@click.command("tune")
@click.argument("layout")
@click.option("--cycle", "cycles", multiple=True, metavar="CYCLE",
              help="Cycle to tune on; wltc-3b, nedc and us06 if omitted. Repeatable.")
@click.option("--unseen", multiple=True, metavar="CYCLE",
              help="Cycle to judge on; hill-town, udds, hwfet and wltc-2 if omitted. Repeatable.")
@click.option("--strategy", default="rules", show_default=True, metavar="STRATEGY",
              help="rules or rules:FILE, the calibration to begin from.")
@click.option("--plain", is_flag=True, help="Tune on the cycles alone, not on each of their phases and over hills too.")
@click.option("--parameter", "names", multiple=True, metavar="NAME",
              help="Parameter to tune, as electric.power_kW; those that matter if omitted. Repeatable.")
@click.option("--starts-per-km", type=click.FloatRange(0.0), default=float("inf"), metavar="N", help="Most engine starts a kilometre.")
@click.option("--changes-per-km", type=click.FloatRange(0.0), default=float("inf"), metavar="N",
              help="Most changes of configuration a kilometre.")
@click.option("--evaluations", type=click.IntRange(1), default=600, show_default=True, metavar="N",
              help="Calibrations the search looks at.")
@click.option("--random", "chance", type=click.IntRange(0), default=200, show_default=True, metavar="N",
              help="Random calibrations to compare with; 0: none.")
@click.option("--seed", type=click.IntRange(0), default=1, show_default=True, metavar="N", help="Seed of everything random.")
@click.option("--workers", type=click.IntRange(1), default=1, show_default=True, metavar="N",
              help="Processes; the result does not depend on it.")
@click.option("--journal", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="File that keeps every evaluation; a stopped run goes on from it.")
@click.option("--list", "list_", is_flag=True, help="Only list the calibration's parameters; with --out, write its file to begin from.")
@click.option("--no-ecms", is_flag=True, help="Do not compare with tuned ECMS.")
@common.options(reads_layout=True)
def command(
    run: common.Run, layout: str, cycles: tuple[str, ...], unseen: tuple[str, ...], strategy: str, plain: bool, names: tuple[str, ...],
    starts_per_km: float, changes_per_km: float, evaluations: int, chance: int, seed: int, workers: int, journal: Path | None,
    no_ecms: bool, list_: bool,
) -> None:
    """Tune the rules of LAYOUT for least fuel at equal charge, and judge them on cycles they have not seen.

    With --out DIR: result.json and calibration.toml, which --strategy rules:DIR/calibration.toml drives. A tuned calibration is a
    proposal: check it on a rig before it drives on a road.
    """
    run.will_write("calibration.toml")
    kind, _, file = strategy.partition(":")
    if kind not in ("rules", "default") or (kind == "default" and file):
        raise InputError([Mistake("--strategy", "", f"'{strategy}'", "rules or rules:FILE: only the rules have a calibration")])
    if list_:
        _list(run, layout, file or None)
        return

    from ems.judge.tuning import tune
    from ems.library import seen_from
    from ems.present.tune_text import tune_text
    from ems.strategies.calibration import to_toml
    from ems.strategies.tune import TRAINED, UNSEEN

    with progress(run) as tell:
        found = tune(layout, cycles or TRAINED, file=file or None, unseen=unseen or UNSEEN, names=names, overrides=run.overrides,
                     caps=(starts_per_km, changes_per_km), plain=plain, evaluations=evaluations, random=chance, seed=seed,
                     processes=workers, journal=journal, ecms=not no_ecms, progress=tell)
    calibration = to_toml(found.calibration)
    inputs = {"layout": seen_from(run.out or Path(), layout), "set": list(run.overrides), "strategy": seen_strategy(run.out, strategy)}
    result = found.to_dict() | {"inputs": inputs}
    run.finish(result, None if run.json else tune_text(found, run.out), {"calibration.toml": calibration} if run.out is not None else None)


def _list(run: common.Run, layout: str, file: str | None) -> None:
    """The parameters of a calibration, with value, unit, bounds and meaning."""
    from ems.layout.load import load_layout
    from ems.present.tune_text import parameters_text
    from ems.strategies.calibration import parameters, to_toml
    from ems.strategies.rules import load_rules

    calibration = load_rules(load_layout(layout, overrides=run.overrides), file).calibration
    found = parameters(calibration)
    result = {"layout": layout, "parameters": [p.model_dump() for p in found]}
    run.finish(result, None if run.json else parameters_text(layout, found),
               {"calibration.toml": to_toml(calibration)} if run.out is not None else None)
