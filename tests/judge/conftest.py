"""Short pieces of shipped cycles, and optima of them found once for all tests of this folder."""

from __future__ import annotations

import functools
from dataclasses import replace

import pytest

from ems.layout.load import load_layout
from ems.solve.optimum import optimum
from ems.tables.build import DEFAULT_GRID
from ems.trips.cycle import load_cycle

SMALL = DEFAULT_GRID._replace(free_points=4, torque_points=5, brake_points=4, inner_points=3, slope_steps=4, capacity=10)


class Town:
    """A piece of the first hill of WLTC class 3b, and its optima with small tables."""

    grid = SMALL
    start_s, end_s = 5, 75

    @functools.cached_property
    def cycle(self):
        whole, a, b = load_cycle("wltc-3b"), self.start_s, self.end_s
        return replace(whole, name="town", time_s=whole.time_s[a:b + 1] - whole.time_s[a], speed_m_s=whole.speed_m_s[a:b + 1],
                       grade=whole.grade[a:b + 1], auxiliary_W=whole.auxiliary_W[a:b], phases=())

    @functools.cache     # noqa: B019 - one object a session
    def optimum(self, name, overrides=()):
        return optimum(load_layout(name, overrides=overrides), self.cycle, grid=SMALL)


@pytest.fixture(scope="session")
def town() -> Town:
    return Town()
