"""The gap of a trip without a ledger: beside ``compare``, and its references."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from ems.errors import RunError
from ems.judge import gap
from ems.judge.compare import held_against
from ems.judge.gap import References, at_or_below, judged
from ems.strategies.rules import load_rules
from ems.strategies.simulate import drive, simulate


def test_the_gap_is_that_of_the_ledger(courses, target_J):
    """The same trip by both ways: strategy minus certified bound, at the charge the trip ends with."""
    c = courses("series", "wltc-3b", 0, 330)
    layout = c.plant.layout
    strategy = load_rules(layout, plant=c.plant)
    found = judged(References(layout, c), drive(c, strategy, target_J(c)), "piece")
    _, entries = held_against(simulate(layout, c.cycle, strategy, course=c), progress=lambda _t: None)
    own, bound = entries.driven.objective_g, entries.bound.bound_g
    assert found.objective_g == pytest.approx(own, rel=1e-9)
    # two lower bounds, the ledger's affine in the charge: they differ by no more than the optimum may lie above the lower one
    loose = 100.0 * (found.optimum_g / min(bound, own / (1.0 + found.gap_percent / 100.0)) - 1.0)
    assert 0.0 <= loose < 0.5
    assert found.gap_percent == pytest.approx(100.0 * (own / bound - 1.0), abs=loose * (1.0 + found.gap_percent / 100.0))


def test_a_reference_nearby_is_not_solved_again(courses, monkeypatch):
    c = courses("series", "wltc-3b", 0, 330)
    asked = []
    monkeypatch.setattr(gap, "optimum", lambda _layout, _cycle, charge: asked.append(charge[1]) or SimpleNamespace())
    references = References(c.plant.layout, c, near=0.001)
    assert [references.to(soc)[0] for soc in (0.55, 0.5505, 0.56, 0.5595)] == [0.55, 0.55, 0.56, 0.56]
    assert references.to(1.0)[0] == c.plant.layout.battery.soc_high - gap.TOP_MARGIN
    assert asked == [0.55, 0.56, c.plant.layout.battery.soc_high - gap.TOP_MARGIN]


def test_a_target_that_is_missed_is_asked_for_lower():
    def solve(soc):
        if soc > 0.545:
            raise RunError("missed")
        return soc

    assert at_or_below(solve, 0.55, 0.35) == (pytest.approx(0.54), pytest.approx(0.54))
    with pytest.raises(RunError, match="missed"):
        at_or_below(solve, 0.6, 0.35)
