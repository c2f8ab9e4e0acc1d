"""What is engaged, in words: also where nothing is, or could be."""

from __future__ import annotations

from ems.configurations import derive
from ems.layout.load import load_layout
from ems.present.engagement import engaged_words, engagement


def test_a_layout_without_actuators_says_that_nothing_can_be_engaged():
    layout = load_layout("input-split")
    told = {engaged_words(layout, c) for c in derive(layout).configurations}
    assert told == {"nothing to engage: all parts stay joined"}
    assert all(engagement(layout, c)["open"] == "" for c in derive(layout).configurations)


def test_nothing_engaged_is_nothing_where_something_could_be():
    layout = load_layout("three-clutch")
    words = {c.id: engaged_words(layout, c) for c in derive(layout).configurations}
    assert words["off:open"] == "nothing" and words["on:K1+K2+S1=third"] == "K1, K2 closed; S1 in third"
