"""Courses of short pieces of shipped cycles, each made once."""

from __future__ import annotations

import functools
from dataclasses import replace

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
