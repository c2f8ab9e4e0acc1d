"""Short pieces of shipped cycles and their optima found once for all tests of this folder; and trips that nobody would drive."""

from __future__ import annotations

import functools
import importlib.util
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from ems.layout.load import load_layout
from ems.solve.optimum import optimum
from ems.tables.build import DEFAULT_GRID
from ems.trips.cycle import load_cycle

_spec = importlib.util.spec_from_file_location("pieces_of_solve", Path(__file__).parents[1] / "solve" / "conftest.py")
assert _spec is not None and _spec.loader is not None
_shared = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_shared)
pieces, bare_problem, trip_at_random = _shared.pieces, _shared.bare_problem, _shared.trip_at_random


def played(problem, node, point, energy):
    """The trace of a schedule of table points."""
    from ems.plant.trace import trace
    from ems.solve.problem import fixed_costs

    t = problem.tables
    return trace(problem.plant, t.demand, t.demands, t.demand_of, node, t.choice[point], energy, *fixed_costs(problem.plant))


@pytest.fixture(scope="session")
def trips() -> SimpleNamespace:
    return SimpleNamespace(random=trip_at_random, played=played)


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
