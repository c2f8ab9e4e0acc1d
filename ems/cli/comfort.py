"""``ems comfort``: what fewer starts and changes cost in fuel."""

from __future__ import annotations

import click

from ems.cli import common
from ems.cli.case import DEFAULT_CYCLE
from ems.cli.progress import progress
from ems.cli.several import load_several, several_inputs, solving_options
from ems.studies.options import grid_of


@click.command("comfort")
@click.argument("layout")
@click.option("--cycle", metavar="CYCLE", help=f"Shipped cycle or a file of your own; {DEFAULT_CYCLE} if omitted.")
@click.option("--shift-price", "shift", multiple=True, type=click.FloatRange(min=0), metavar="G",
              help="Price of a change [g of fuel]. Repeatable.")
@click.option("--start-price", "start", multiple=True, type=click.FloatRange(min=0), metavar="G",
              help="Price of a start [g of fuel]. Repeatable.")
@click.option("--dwell", multiple=True, type=click.FloatRange(min=0), metavar="S", help="Least time in a configuration [s]. Repeatable.")
@click.option("--engine-on", multiple=True, type=click.FloatRange(min=0), metavar="S", help="Least time the engine runs [s]. Repeatable.")
@click.option("--ramp", multiple=True, type=click.FloatRange(min=0, min_open=True), metavar="RPM_S",
              help="Most change of the engine's speed where that is free [rpm/s]; acts between --lanes. Repeatable.")
@click.option("--ceiling", multiple=True, type=click.FloatRange(min=0, min_open=True), metavar="RPM",
              help="Highest engine speed below 40 km/h [rpm]. Repeatable.")
@solving_options
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, cycle: str | None, shift: tuple[float, ...], start: tuple[float, ...],
            dwell: tuple[float, ...], engine_on: tuple[float, ...], ramp: tuple[float, ...], ceiling: tuple[float, ...],
            charge: str | None, grid: int, lanes: int) -> None:
    """The least fuel of LAYOUT over starts and changes per km, and what each change does to the car: torque hole, impulse, slowing.

    Without any asked for, a spread of prices and limits is taken. With --out DIR: result.json, changes.csv, comfort.png.
    """
    run.will_write("changes.csv", "comfort.png")
    loaded = load_several([layout], run.overrides, [cycle] if cycle else [], charge)
    with progress(run) as tell:
        from ems.judge.comfort import comfort, settings

        wanted = (shift, start, dwell, engine_on, ramp, ceiling)
        asked = settings(*wanted) if any(wanted) else settings()
        result = comfort(loaded.layouts[0], loaded.cycles[0], asked=asked, charge=loaded.charge, grid=grid_of(grid), lanes=lanes,
                         progress=tell)

    from ems.present.comfort_text import comfort_text, save_comfort_figure

    full = {**result.to_dict(), **several_inputs(loaded, run.out, grid_factor=grid, lanes=lanes)}
    run.finish(full, None if run.json else comfort_text(result), {
        "changes.csv": result.to_frame().to_csv(lineterminator="\n"),
        "comfort.png": lambda path: save_comfort_figure(result, path)} if run.out is not None else None)
