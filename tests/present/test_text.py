"""Pieces of terminal text, and the sentence on why a configuration won, against cases made by hand."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from ems.present.explain_text import reason
from ems.present.text import bar, clock, times, within


@pytest.mark.parametrize("percent, words", [
    (0.0161, "0.017 %"), (0.016, "0.016 %"), (0.0, "0.001 %"), (-1e-9, "0.001 %"), (0.0011, "0.002 %"), (1.21, "1.3 %"),
    (12.3, "13 %"), (0.1, "0.1 %"),
])
def test_an_error_bar_is_rounded_up_and_never_down(percent, words):
    assert within(percent) == words
    assert float(words.removesuffix(" %")) >= percent


@pytest.mark.parametrize("share, cells", [(0.0, 0), (1e-9, 1), (0.5, 12), (1.0, 24), (2.0, 24), (-0.1, 0)])
def test_a_bar_is_as_long_as_its_share(share, cells):
    assert len(bar(share)) == cells


def test_eighths_of_a_cell():
    assert bar(1 / 8, 1) == "▏" and bar(0.5, 1) == "▌" and bar(1.5 / 24) == "█▌"


def test_words():
    assert (clock(1800), clock(59.6), clock(45)) == ("30 min 00 s", "1 min 00 s", "45 s")
    assert (times(1, "start"), times(0, "start")) == ("1 start", "0 starts")


def row(name, fuel, battery, change, later=0.0, feasible=True):
    return {"id": name, "feasible": feasible, "fuel_g": fuel, "equivalent_g": battery, "transition_g": change,
            "later_g": later, "total_g": fuel + battery + change + later}


def test_the_reason_names_what_was_saved_and_what_it_cost():
    rows = (row("on:K1", 0.5, -0.1, 0.0), row("off:open", 0.0, 0.6, 0.1, 0.01), row("on:K2", 1.0, 0.0, 0.0, feasible=False))
    assert reason(SimpleNamespace(chosen="on:K1", rows=rows)) == (
        "on:K1 beats off:open by 0.3100 g: it saves 0.7000 g on battery energy, 0.1000 g on the change and 0.0100 g on what "
        "follows and loses 0.5000 g on fuel.")


def test_the_reason_when_nothing_else_could_be_done():
    assert "a limit rules out every other configuration" in reason(SimpleNamespace(chosen="a", rows=(row("a", 1, 0, 0),)))


def test_ties_and_choices_that_look_dearer_are_told_as_they_are():
    equal = (row("a", 1.0, 0, 0), row("b", 1.0, 0, 0))
    assert "cost the same" in reason(SimpleNamespace(chosen="a", rows=equal))
    dearer = (row("a", 1.0, 0, 0), row("b", 0.5, 0, 0))
    assert "although b comes out 0.5000 g lower" in reason(SimpleNamespace(chosen="a", rows=dearer))
