"""What results look like below a cell of a notebook: ``_repr_html_`` of a layout, an optimum, a comparison and a simulation.

``ems`` attaches them where IPython runs, so that the folders below know nothing of how they are shown.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from html import escape
from typing import TYPE_CHECKING, Any

from ems.present.optimum_text import NO_TYPE_APPROVAL, assumptions
from ems.present.text import clock, within

if TYPE_CHECKING:
    from ems.judge.compare import Comparison
    from ems.layout.model import Layout
    from ems.solve.optimum import Optimum
    from ems.strategies.simulate import Simulation
    from ems.trips.cycle import Cycle

Rows = Sequence[tuple[str, str]]


def attach() -> None:
    """Give the classes of results that are loaded by now their ``_repr_html_``; again is no harm."""
    for module, name, shown in SHOWN:
        kind = getattr(sys.modules.get(module), name, None)
        if kind is not None:
            kind._repr_html_ = shown


def card(title: str, sentence: str, rows: Rows, caution: str = "") -> str:
    """A heading, a sentence, a table of facts and a caution; every text is escaped."""
    cells = "".join(f'<tr><th scope="row" style="text-align:left">{escape(word)}</th><td style="text-align:left">{escape(value)}</td></tr>'
                    for word, value in rows)
    notes = f"<p><small>{escape(caution)}</small></p>" if caution else ""
    return f"<div><p><strong>{escape(title)}</strong></p><p>{escape(sentence)}</p><table>{cells}</table>{notes}</div>"


def _layout(layout: Layout) -> str:
    from ems.present.drawing.stick import draw

    return f"<div><p><strong>{escape(layout.title)}</strong> {escape(layout.summary)}</p>{draw(layout)}</div>"


def _optimum(found: Optimum) -> str:
    error = within(found.gap_percent + found.table_error_percent)
    answer = f"{found.fuel_l_per_100km:.3f} l/100 km; no control can come more than {error} below it."
    return card(f"{found.layout.name} on {found.cycle.name}", answer, [
        ("fuel", f"{found.fuel_g:.2f} g over {found.distance_km:.2f} km in {clock(found.duration_s)}"),
        ("CO₂", f"{found.co2_g_per_km:.1f} g/km"), ("floor", f"{found.floor_l_per_100km:.3f} l/100 km"),
        ("charge", f"{found.soc_start:.4f} at the start, {found.soc_end:.4f} at the end"),
        ("engine starts", str(found.engine_starts)), ("changes", str(found.configuration_changes)),
    ], f"{NO_TYPE_APPROVAL} {assumptions(found.warm_l_per_100km is None)}")


def _comparison(found: Comparison) -> str:
    split = (("calibration, at least", found.calibration_g), ("foresight, at most", found.foresight_g),
             ("left open by the proof", found.optimum_slack_g))
    rows = [(f"gap, {name}", f"{grams:.2f} g") for name, grams in split]
    return card(f"{found.strategy} on {found.layout.name} over {found.cycle.name}",
                f"{found.strategy_l_per_100km:.3f} l/100 km; the least possible is {found.optimum_l_per_100km:.3f}.",
                [*rows, *((f"price, {cause}", f"{grams:.2f} g") for cause, grams in found.by_cause.items())],
                f"{NO_TYPE_APPROVAL} {assumptions()}")


def _simulation(made: Simulation) -> str:
    corrected = ", ".join(f"{what} in {n} intervals" for what, n in made.corrections.items()) or "nothing"
    return card(f"{made.strategy} on {made.layout.name} over {made.cycle.name}", f"{made.trace.node.size} intervals were driven.",
                [("corrected by the plant", corrected)])


def _cycle(cycle: Cycle) -> str:
    seconds = float(cycle.time_s[-1] - cycle.time_s[0])
    return card(cycle.title or cycle.name, f"{cycle.distance_m / 1e3:.2f} km in {clock(seconds)}.", [("source", cycle.source)])


SHOWN: tuple[tuple[str, str, Callable[[Any], str]], ...] = (
    ("ems.layout.model", "Layout", _layout), ("ems.solve.optimum", "Optimum", _optimum), ("ems.judge.compare", "Comparison", _comparison),
    ("ems.strategies.simulate", "Simulation", _simulation), ("ems.trips.cycle", "Cycle", _cycle),
)
"""Module and name of every class that is shown, and how."""
