"""What commands share that solve several layouts or several cycles: options, reading, and what is recorded of the inputs."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ems.cli.case import DEFAULT_CYCLE, Case, option, versions
from ems.errors import InputError, Mistakes

if TYPE_CHECKING:
    from ems.layout.model import Layout
    from ems.trips.cycle import Cycle

cycles_option = click.option("--cycle", multiple=True, metavar="CYCLE",
                             help=f"Shipped cycle or a file of your own; {DEFAULT_CYCLE} if omitted. Repeatable.")

Function = TypeVar("Function", bound=Callable[..., Any])


def solving_options(function: Function) -> Function:
    """Decorator: how every optimum is solved; the function is called with ``charge, grid, lanes``."""
    options = [option("charge"), option("grid"), option("lanes", default=6, show_default=True)]
    return functools.reduce(lambda made, option: option(made), reversed(options), function)


@dataclass(frozen=True, slots=True, eq=False)
class Several:
    """Layouts and cycles, read; ``charge`` is (start, end) state of charge, None for sustaining."""

    words: tuple[str, ...]
    overrides: tuple[str, ...]
    cycle_words: tuple[str, ...]
    charge_word: str | None
    layouts: tuple[Layout, ...]
    cycles: tuple[Cycle, ...]
    charge: tuple[float, float] | None


def load_several(words: Sequence[str], overrides: tuple[str, ...], cycle_words: Sequence[str], charge: str | None = None) -> Several:
    """Every layout and cycle; every mistake in all of them in one ``InputError``, each once."""
    cycles = tuple(cycle_words) or (DEFAULT_CYCLE,)
    mistakes, loaded = Mistakes(), {}
    pairs = [(w, cycles[0]) for w in words] + [(words[0], c) for c in cycles[1:]]
    for word, cycle in pairs:
        try:
            loaded[word, cycle] = Case(word, overrides, cycle, charge).load()
        except InputError as error:
            mistakes.found += [m for m in error.mistakes if m not in mistakes.found]
    mistakes.raise_if_any()
    first = loaded[words[0], cycles[0]]
    return Several(tuple(words), overrides, cycles, charge, tuple(loaded[w, cycles[0]].layout for w in words),
                   tuple(loaded[words[0], c].cycle for c in cycles), first.charge)


def several_inputs(loaded: Several, folder: Path | None, **options: Any) -> dict[str, Any]:
    """What ``result.json`` of a folder says of where a result came from."""
    from ems.layout.listing import layout_sources
    from ems.layout.uncounted import counted_as_zero
    from ems.library import seen_from
    from ems.trips.digest import cycle_digest

    base = folder or Path()
    return {
        "inputs": {
            "layouts": [seen_from(base, word) for word in loaded.words], "layout_digests": [layout.digest for layout in loaded.layouts],
            "set": list(loaded.overrides), "cycles": [seen_from(base, word) for word in loaded.cycle_words],
            "cycle_digests": [cycle_digest(c) for c in loaded.cycles], "charge": loaded.charge_word, **options,
        },
        "counted_as_zero": {layout.name: counted_as_zero(layout) for layout in loaded.layouts},
        "versions": versions(),
        "sources": {f"cycle {c.name}": c.source for c in loaded.cycles}
        | {f"{what} of {layout.name}": source for layout in loaded.layouts for what, source in layout_sources(layout).items()},
    }
