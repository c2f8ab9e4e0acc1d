"""Cutting planes over the segment values: what an evaluation says holds, and few evaluations are needed however many segments there are.

Source: Kelley's cutting planes, taken apart by blocks (Bertsekas, Nonlinear Programming, sec. 7.5; from memory); derived.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import ems
from ems.solve import certificate
from ems.solve.certificate import lower_bound, window_cells
from ems.solve.planes import Jumps, Plane, peak_of_parts, peak_of_wholes
from ems.solve.steps import first_bound
from ems.trips.cycle import Cycle

NO_JUMPS = Jumps(*(np.zeros(0, np.int64),) * 2, *(np.zeros(0),) * 2)


def narrow_window(pieces):
    """A small battery in town: the window binds several times."""
    return pieces.optimum("series", "udds", 160, 420, ("battery.capacity_Ah=0.5",))


def height(plane: Plane, values: np.ndarray) -> float:
    return float(plane.parts_g(values).sum() + plane.jump_J @ plane.jumps.fall(values))


@pytest.fixture(scope="module")
def bound_and_values(pieces):
    """A problem with several segments, and a function from segment values to their bound."""
    found = narrow_window(pieces)
    problem, bound = found.problem, found.bound
    segments = np.minimum(np.arange(bound.segments.size) // 40, 3)
    window = window_cells(problem)
    start = np.full(4, float(bound.costate_g_J.mean()))
    return problem, start, lambda values: lower_bound(problem, window, np.ones(segments.size), segments, values)


def test_plane_touches_its_own_bound(bound_and_values):
    """Cost and energy of the schedule, its jumps with them, are the bound, up to what is taken off for the bend of the battery's losses."""
    _, start, at = bound_and_values
    bound = at(start)
    assert bound.plane.jump_J.size == 3
    assert height(bound.plane, start) == pytest.approx(bound.bound_g, rel=1e-4)


def test_plane_lies_above_all_other_bounds(bound_and_values):
    """The bound is concave in the segment values (pointwise least of planes)."""
    _, start, at = bound_and_values
    random = np.random.default_rng(2)
    plane = at(start).plane
    for _ in range(12):
        values = start * random.uniform(0.9, 1.1, 4)
        assert at(values).bound_g <= height(plane, values) + 1e-4 * abs(at(start).bound_g)


def test_parts_are_put_together_as_a_scan_finds_them():
    """Two segments of three lines each and a jump between them: the peak is that of a scan of all values (numpy)."""
    jumps = Jumps(np.array([0]), np.array([1]), np.array([1.0]), np.array([1.0]))
    lines = [((3.0, 5.0), (4.0, 1.0)), ((9.0, 4.0), (-1.0, 2.0)), ((12.0, 12.0), (-3.0, -4.0))]
    planes = [Plane(np.array(cost), np.array(energy), np.array([0.5]), jumps) for cost, energy in lines]
    here, ends = np.array([1.0, 1.0]), (-0.5, 0.5)
    own = planes[0]
    values, most = peak_of_parts([own, *planes[1:]], own, here, 1.5, ends)
    grid = np.linspace(0.0, 2.5, 501)
    a, b = np.meshgrid(grid, grid, indexing="ij")
    scan = sum(np.min([np.maximum(p.parts_g(here)[i], own.parts_g(here)[i]) + p.energy_J[i] * (v - here[i]) for p in planes], axis=0)
               for i, v in ((0, a), (1, b)))
    scan = scan + np.minimum(ends[0] * (a - b), ends[1] * (a - b))
    for p in planes:
        scan = np.minimum(scan, p.cost_g.sum() + p.energy_J[0] * a + p.energy_J[1] * b + 0.5 * (a - b))
    assert most == pytest.approx(scan.max(), abs=0.03)
    assert most >= scan.max() - 1e-9
    assert scan[np.abs(grid - values[0]).argmin(), np.abs(grid - values[1]).argmin()] == pytest.approx(scan.max(), abs=0.05)


def test_one_segment_is_where_two_lines_cross():
    """1 + 2 v and 7 - v cross at v = 2, at 5 (by hand)."""
    planes = [Plane(np.array([cost]), np.array([energy]), np.zeros(0), NO_JUMPS) for cost, energy in ((1.0, 2.0), (7.0, -1.0))]
    values, most = peak_of_wholes(planes, planes[0], np.array([1.0]), 5.0, (-1.0, 1.0))
    assert values == pytest.approx([2.0]) and most == pytest.approx(5.0)


def test_evaluations_do_not_grow_with_the_segments(pieces, monkeypatch):
    """The same trip once and four times over: more segments, about as many evaluations (with one plane each it was one for one)."""
    cycle = pieces.cycle("udds", 160, 338)
    layout = ems.load_layout("series", overrides=("battery.capacity_Ah=0.4",))
    counted = []
    evaluate = certificate.lower_bound
    monkeypatch.setattr(certificate, "lower_bound", lambda *a: counted.append(a[-1].size) or evaluate(*a))
    evaluations, segments = [], []
    for times in (1, 4):
        found = ems.optimum(layout, over(cycle, times))
        counted.clear()
        _, bound = first_bound(found.problem)
        evaluations.append(len(counted))
        segments.append(bound.values_g_J.size)
    assert segments[1] >= segments[0] + 3
    assert evaluations[1] <= evaluations[0] + 25


def over(cycle: Cycle, times: int) -> Cycle:
    """A cycle that begins and ends at rest so many times over."""
    starts = np.arange(times) * cycle.time_s[-1]
    return replace(cycle, phases=(), time_s=np.append(np.concatenate([cycle.time_s[:-1] + s for s in starts]), times * cycle.time_s[-1]),
                   speed_m_s=np.append(np.tile(cycle.speed_m_s[:-1], times), cycle.speed_m_s[-1]),
                   grade=np.append(np.tile(cycle.grade[:-1], times), cycle.grade[-1]), auxiliary_W=np.tile(cycle.auxiliary_W, times))
