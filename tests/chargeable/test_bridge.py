"""Contributions between two figures: the identity, and cases whose contributions are known."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from ems.judge.bridge import Terms, bridge, shares


def test_a_sum_has_its_terms_in_every_order():
    parts = {"a": 1.5, "b": -0.5, "c": 0.25}
    for c in shares(list(parts), lambda names: 4.0 + sum(parts[n] for n in names)):
        assert (c.stated_l_per_100km, c.mean_l_per_100km, c.low_l_per_100km, c.high_l_per_100km) == pytest.approx((parts[c.factor],) * 4)


def test_a_product_of_two_is_shared_in_halves():
    """From 1 to 2 times 3: each factor has its own gain and half of what both gain together (Shapley's value, by hand)."""
    got = shares(["two", "three"], lambda names: (2.0 if "two" in names else 1.0) * (3.0 if "three" in names else 1.0))
    assert [c.mean_l_per_100km for c in got] == pytest.approx([2.0, 3.0])
    assert [c.stated_l_per_100km for c in got] == pytest.approx([1.0, 4.0])
    assert [(c.low_l_per_100km, c.high_l_per_100km) for c in got] == [(1.0, 3.0), (2.0, 4.0)]


def test_contributions_add_up_for_any_figures():
    names = ["a", "b", "c", "d"]
    sets = [frozenset(s) for n in range(5) for s in itertools.combinations(names, n)]
    figures = {s: math.sin(7.0 * i) for i, s in enumerate(sets)}
    got = shares(names, figures.__getitem__)
    difference = figures[frozenset(names)] - figures[frozenset()]
    assert sum(c.mean_l_per_100km for c in got) == pytest.approx(difference, abs=1e-12)
    assert sum(c.stated_l_per_100km for c in got) == pytest.approx(difference, abs=1e-12)


def test_bridge_between_one_run_and_a_balanced_one(layout, steady):
    """Only what differs is asked; the figures at the ends are those of the runs."""
    begin = Terms(layout, steady, (), (0.21, 0.20), "run")
    found = bridge(begin, replace(begin, weighting="sustaining"))
    assert [c.factor for c in found.contributions] == ["weighting"]
    assert found.contributions[0].mean_l_per_100km == pytest.approx(found.end_l_per_100km - found.begin_l_per_100km)
    assert found.begin_l_per_100km < found.end_l_per_100km
    assert len(found.combinations) == 2


def test_two_cycles_of_one_name_are_two(layout, steady):
    """Files of two folders may share a name; the second asks for a third of the speed less."""
    begin = Terms(layout, steady, (), (0.21, 0.20), "sustaining")
    found = bridge(begin, replace(begin, cycle=replace(steady, speed_m_s=steady.speed_m_s * 2.0 / 3.0)))
    assert [c.factor for c in found.contributions] == ["cycle"]
    assert found.end_l_per_100km < found.begin_l_per_100km
