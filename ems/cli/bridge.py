"""``ems bridge``: from a published figure's terms to your own."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from ems.cli import common
from ems.cli.case import DEFAULT_CYCLE
from ems.cli.progress import progress
from ems.errors import InputError, Mistakes, nearest_name
from ems.regulations.figures import CHARGER_EFFICIENCY

if TYPE_CHECKING:
    from ems.judge.bridge import Terms

KEYS = ("cycle", "charge", "weighting")
TERM = "cycle=C, charge=FULL:DEPLETED, weighting=W, or a key of the vehicle as vehicle.mass_kg=1700"


@click.command("bridge")
@click.argument("layout")
@click.option("--from", "begin", multiple=True, metavar="KEY=VALUE", help=f"One of the published figure's terms: {TERM}. Repeatable.")
@click.option("--to", "end", multiple=True, metavar="KEY=VALUE",
              help="One of your own terms; what is not named stays as in --from. Repeatable.")
@click.option("--charger-efficiency", type=click.FloatRange(0.3, 1.0), default=CHARGER_EFFICIENCY, show_default=True, metavar="X",
              help="From the mains to the battery's store.")
@common.options(reads_layout=True)
def command(run: common.Run, layout: str, begin: tuple[str, ...], end: tuple[str, ...], charger_efficiency: float) -> None:
    """What cycle, road load and mass, charge and weighting contribute between two figures of LAYOUT.

    weighting is sustaining, depleting, run (one run from FULL to DEPLETED as it is), r101-de, r101-dovc, uf-800, uf-2200,
    uf-4260, j2841-fleet or j2841-individual. Both figures are computed optima of LAYOUT, no type-approval figures.
    """
    mistakes = Mistakes()
    first, second = _words(begin, "--from", mistakes), _words(end, "--to", mistakes)
    published = _terms(layout, run.overrides, first, "--from", mistakes)
    in_second = Mistakes()
    own = _terms(layout, run.overrides, {**first, **second}, "--to", in_second)
    told = {(m.key, m.found) for m in mistakes.found}       # what --to only takes over is told of --from
    mistakes.found += [m for m in in_second.found if (m.key, m.found) not in told]
    mistakes.raise_if_any()
    assert published is not None and own is not None
    with progress(run) as tell:
        from ems.judge.bridge import bridge

        found = bridge(published, own, charger_efficiency=charger_efficiency, progress=tell)
    from ems.present.bridge_text import bridge_text

    run.finish({**found.to_dict(), "charger_efficiency": charger_efficiency}, None if run.json else bridge_text(found))


def _words(given: tuple[str, ...], option: str, mistakes: Mistakes) -> dict[str, str]:
    """Key -> value of the terms of one side."""
    words: dict[str, str] = {}
    for word in given:
        key, equals, value = word.partition("=")
        key = key.strip()
        if not equals or not value.strip():
            mistakes.add(option, "", f"'{word}'", TERM)
        elif key not in KEYS and not key.startswith("vehicle."):
            mistakes.add(option, key, f"'{word}'", TERM, nearest_name(key, KEYS))
        else:
            words[key] = value.strip()
    return words


def _terms(layout: str, overrides: tuple[str, ...], words: dict[str, str], option: str, mistakes: Mistakes) -> Terms | None:
    """The terms that words mean; None when a file could not be read or a word is wrong."""
    from ems.judge.bridge import CHOICES, Terms
    from ems.layout.load import load_layout
    from ems.solve.charge import check_window, parse_charge
    from ems.trips.cycle import load_cycle

    road_load = tuple(f"{key}={value}" for key, value in words.items() if key not in KEYS)
    weighting = words.get("weighting", "sustaining").lower()
    if weighting not in CHOICES:
        mistakes.add(option, "weighting", f"'{weighting}'", f"one of {', '.join(CHOICES)}", nearest_name(weighting, CHOICES))
    charge = parse_charge(words["charge"], option, mistakes, key="charge") if "charge" in words else None
    try:
        loaded = load_layout(layout, overrides=(*overrides, *road_load))
    except InputError as error:
        mistakes.extend(error)
        loaded = None
    try:
        cycle = load_cycle(words.get("cycle", DEFAULT_CYCLE), where=option)
    except InputError as error:
        mistakes.extend(error)
        return None
    if loaded is None:
        return None
    if charge is not None:
        check_window(charge, loaded.battery, option, mistakes, key="charge")
    return Terms(loaded, cycle, road_load, charge or (loaded.battery.soc_high, loaded.battery.soc_target), weighting)
