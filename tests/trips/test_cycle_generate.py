"""The script that builds cycle files gives the shipped ones, and the hill town is what it says it is."""

from __future__ import annotations

import importlib.util
import sys

import numpy as np
import pytest

from ems import library
from ems.trips.cycle import load_cycle


@pytest.fixture(scope="module")
def generate():
    path = library.folder("cycle") / "generate.py"
    spec = importlib.util.spec_from_file_location("cycles_generate", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module   # dataclasses look their module up
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def test_built_files_are_the_shipped_ones_byte_for_byte(generate, tmp_path):
    generate.main(tmp_path)
    built = sorted(p.name for p in tmp_path.iterdir())
    assert built == ["ftp-75.csv", "hill-town.csv", "nedc.csv", "wltc-3b-3phase.csv"]
    for name in built:
        assert (tmp_path / name).read_bytes() == (library.folder("cycle") / name).read_bytes(), name


def test_another_seed_gives_another_drive(generate):
    legs = generate.read_legs()
    assert generate.drive(legs, seed=8).speed_m_s != generate.drive(legs, seed=7).speed_m_s


def test_hill_town():
    cycle = load_cycle("hill-town")
    assert "invented" in cycle.title and "invented" in cycle.source and cycle.invented
    assert 1500 <= cycle.duration_s <= 1800
    assert 12_000 <= cycle.distance_m <= 18_000
    assert cycle.altitude_m[-1] == pytest.approx(0.0, abs=0.05)   # ends as high as it began
    assert 200 < cycle.climb_m < 300
    assert 0.08 <= cycle.grade.max() <= 0.10
    assert cycle.grade.min() >= -0.10
    assert cycle.stops >= 10
    assert 80 < 3.6 * cycle.speed_m_s.max() < 100
    assert np.abs(cycle.acceleration_m_s2).max() < 2.0
    urban_climb = cycle.phase_index == [p.name for p in cycle.phases].index("climb")
    assert 3.6 * cycle.speed_m_s[:-1][urban_climb].max() < 52
