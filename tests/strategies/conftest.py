"""Courses of short pieces of shipped cycles, each made once."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path

import pytest

from ems.layout.load import load_layout
from ems.strategies.course import course_of
from ems.trips.cycle import load_cycle


@functools.cache
def piece(name, start, end):
    """Seconds ``start`` to ``end`` of a cycle, as a cycle."""
    whole = load_cycle(name)
    return replace(whole, name=f"{name}-piece", time_s=whole.time_s[start:end + 1] - whole.time_s[start],
                   speed_m_s=whole.speed_m_s[start:end + 1], grade=whole.grade[start:end + 1],
                   auxiliary_W=whole.auxiliary_W[start:end], phases=())


@functools.cache
def course(layout, name="wltc-3b", start=0, end=None, overrides=()):
    cycle = load_cycle(name) if end is None else piece(name, start, end)
    return course_of(load_layout(layout, overrides=overrides), cycle)


@pytest.fixture(scope="session")
def courses():
    """``courses(layout, cycle, start, end)``: a prepared course."""
    return course


@pytest.fixture(scope="session")
def target_J():
    """Stored energy at the battery's target charge of a course."""
    return lambda c: c.energy_J(c.plant.layout.battery.soc_target)


@pytest.fixture(scope="session")
def mine(tmp_path_factory):
    """Word of the strategy of ten lines that the guide shows, as it stands there."""
    guide = (Path(__file__).parent.parent.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    example = guide.split("```python\n# a strategy of your own\n")[1].split("```")[0]
    assert len(example.strip().splitlines()) <= 10
    path = tmp_path_factory.mktemp("own") / "mine.py"
    path.write_text(example, encoding="utf-8")
    return f"python:{path}:Mine"
