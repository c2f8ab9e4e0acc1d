"""Words that a result carries: paths seen from its folder, names where that would tell of the machine, and back."""

from __future__ import annotations

from pathlib import Path

import pytest

from ems import remembered
from ems.kernels import jit
from ems.library import found_from, seen_from
from ems.remembered import recall, remember


@pytest.fixture
def home(tmp_path, monkeypatch):
    """A home of the user 'ann', with a layout and a folder of results in it."""
    home = tmp_path / "home" / "ann"
    (home / "work" / "out").mkdir(parents=True)
    (home / "work" / "mine.toml").write_text("x = 1", encoding="utf-8")
    monkeypatch.setattr(Path, "home", lambda: home)
    monkeypatch.chdir(home / "work")
    return home


def test_a_path_is_seen_from_the_folder_and_found_again(home):
    for word in ("mine.toml", "./mine.toml", str(home / "work" / "mine.toml")):
        told = seen_from(Path("out"), word)
        assert told == "../mine.toml"
        assert Path(found_from(home / "work" / "out", told)).read_text(encoding="utf-8") == "x = 1"


def test_a_way_through_folders_above_the_home_is_not_told(home, tmp_path):
    for elsewhere in (tmp_path / "out", tmp_path / "home" / "bob", Path("/")):
        assert seen_from(elsewhere, str(home / "work" / "mine.toml")) == "mine.toml"


def test_names_stay_names_and_files_without_suffix_stay_files(home):
    assert seen_from(Path("out"), "three-clutch") == "three-clutch" == found_from(Path("out"), "three-clutch")
    assert seen_from(home / "work", "./mine") == "./mine"


def test_what_is_gone_is_not_found(home):
    assert found_from(home / "work" / "out", "../yours.toml") is None
    assert found_from(home, "mine.toml") == "mine.toml"          # beside the user, not beside the result


def test_where_an_input_was_read_is_remembered_by_its_digest(home, monkeypatch, tmp_path):
    monkeypatch.setenv("EMS_CACHE_DIR", str(tmp_path / "cache"))
    assert recall("a1" * 32) is None
    remember("a1" * 32, "mine.toml")
    remember("b2" * 32, "three-clutch")
    assert recall("a1" * 32) == str((home / "work" / "mine.toml").resolve()) and recall("b2" * 32) is None
    (home / "work" / "mine.toml").unlink()
    assert recall("a1" * 32) is None and recall("../../etc/passwd") is None


@pytest.mark.parametrize("names", [{"EMS_CACHE_DIR": "/here"}, {"XDG_CACHE_HOME": "/there"}, {}], ids=["ours", "system", "home"])
def test_kernels_and_inputs_are_kept_in_one_folder(monkeypatch, names):
    """Kernels import nothing of ems, so the folder is written down twice; both must mean the same."""
    for name in ("EMS_CACHE_DIR", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    for name, value in names.items():
        monkeypatch.setenv(name, value)
    assert jit._base_folder() == remembered.cache_folder()


def test_without_a_home_nothing_is_kept_and_nothing_fails(monkeypatch):
    """A user without a home folder: kernels are compiled anew, inputs are not remembered."""
    def homeless(self):
        raise RuntimeError("Could not determine home directory.")

    for name in ("EMS_CACHE_DIR", "XDG_CACHE_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("pathlib.Path.expanduser", homeless)
    assert jit.cache_folder.__wrapped__("lookup") is None and remembered.cache_folder() is None
