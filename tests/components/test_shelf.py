"""Components kept from one layout to the next are those that would have been read, and never of another day."""

from __future__ import annotations

import shutil

import pytest

import ems
from ems import library
from ems.components import shelf as shelves
from ems.components.machine import load_machine
from ems.components.shelf import Shelf
from ems.errors import InputError
from ems.layout.load import load_layout


def machine(shelf: Shelf, word: str, **overrides: object):
    return shelf.load(load_machine, word, where="here", key="machine", beside=None, overrides=overrides)


@pytest.fixture
def own(tmp_path):
    """A machine's files in a folder of the user's."""
    name = library.names("machine")[0]
    for path in library.folder("machine").glob(f"{name}*"):
        shutil.copy(path, tmp_path)
    return tmp_path / f"{name}.toml"


@pytest.mark.parametrize("name", library.names("layout"))
def test_a_layout_is_the_same_with_a_shelf(name):
    shelf = Shelf()
    assert {load_layout(name, shelf=shelf).digest, load_layout(name, shelf=shelf).digest} == {ems.load_layout(name).digest}


def test_other_keys_of_a_layout_read_no_component_again():
    shelf = Shelf()
    one, two = (load_layout("three-clutch", overrides=(f"gears.first.ratio={ratio}",), shelf=shelf) for ratio in (2.5, 2.6))
    assert one.digest != two.digest and one.battery is two.battery
    assert all(a.machine is b.machine for a, b in zip(one.machines, two.machines, strict=True))
    assert load_layout("three-clutch", overrides=("battery.discharge_limit_kW=50",), shelf=shelf).battery is not one.battery


def test_a_file_that_says_something_else_is_read_again(own):
    shelf = Shelf()
    first = machine(shelf, str(own))
    assert machine(shelf, str(own)) is first
    assert machine(shelf, str(own), mass_kg=1) is not first
    for path in own.parent.glob("*.csv"):
        path.write_text(path.read_text(encoding="utf-8") + "# another line\n", encoding="utf-8")
    again = machine(shelf, str(own))
    assert again is not first and machine(shelf, str(own)) is again


def test_a_file_that_is_gone_is_told_as_without_a_shelf(own):
    shelf = Shelf()
    machine(shelf, str(own))
    gone = next(iter(own.parent.glob("*.csv")))
    gone.unlink()
    with pytest.raises(InputError, match=f"found '{gone.name}'; expected the name of an existing CSV file"):
        machine(shelf, str(own))


def test_only_so_many_are_kept(monkeypatch):
    monkeypatch.setattr(shelves, "KEPT", 2)
    shelf, name = Shelf(), library.names("machine")[0]
    first = machine(shelf, name, mass_kg=1)
    for mass in (2, 1, 3):
        machine(shelf, name, mass_kg=mass)
    assert machine(shelf, name, mass_kg=1) is first and len(shelf._kept) == 2
