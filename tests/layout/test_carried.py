"""A layout that a result carries is the layout that was solved."""

from __future__ import annotations

import pytest

import ems
from ems import library
from ems.layout.carried import layout_of, layout_text
from ems.layout.digest import digest
from ems.trips.cycle import Cycle, Phase
from ems.trips.digest import cycle_digest
from ems.written import text_of, value_of


@pytest.mark.parametrize("name", library.names("layout"))
def test_a_layout_comes_back_with_its_digest(name):
    layout = ems.load_layout(name)
    again = layout_of(layout_text(layout))
    assert digest(again) == layout.digest == again.digest
    assert (again.name, again.title, again.drawing, again.files, again.path) == (layout.name, layout.title, layout.drawing, (), None)
    assert layout_text(again) == layout_text(layout)


def test_a_layout_knows_every_file_it_was_read_from():
    names = [path.name for path in ems.load_layout("three-clutch-rear").files]
    assert names[:2] == ["three-clutch-rear.toml", "three-clutch.toml"] and len(names) == len(set(names)) > 10
    assert {"hill-taxi.toml", "fuels.toml", "dedicated-1500-full-load.csv"} <= set(names)


def test_a_cycle_comes_back():
    cycle = ems.load_cycle("hill-town")
    again = value_of(text_of(cycle), (Cycle, Phase))
    assert cycle_digest(again) == cycle_digest(cycle) and again.phases == cycle.phases and again.file is None


@pytest.mark.parametrize("spoil", [
    lambda text: text[:-5], lambda text: text.replace('"kind":"Gear"', '"kind":"Wheel"'), lambda text: text.replace('"digest"', '"sum"'),
    lambda text: '["no layout"]'])
def test_another_version_is_told(spoil):
    with pytest.raises(ValueError):
        layout_of(spoil(layout_text(ems.load_layout("series"))))
