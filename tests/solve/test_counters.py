"""Least times as hard constraints: kept in every trip, never a gain, and equal to trying every schedule of a few seconds.

Source: by definition - the brute force below knows nothing of counted states; it looks at the runs of finished schedules.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from ems.kernels.sweep import internal_power
from ems.layout.load import load_layout
from ems.plant.counters import NO_WAITS, Waits, at_least, counted_states
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.optimum import optimum
from ems.solve.problem import build_problem, transition_costs
from ems.solve.steps import first_bound

PIECE = ("udds", 160, 210)
FEW = ("off:S1=third", "off:K2+S1=third", "on:K1+S1=third", "on:K1+K2+S1=third")
SECONDS = ("udds", 200, 206)


def runs(labels) -> list[tuple[object, int]]:
    """(label, length) of each stretch of equal labels."""
    return [(label, len(list(stretch))) for label, stretch in itertools.groupby(labels)]


def kept(plant, node, waits: Waits) -> bool:
    """Whether a schedule of seconds keeps every wait: runs that end are long enough; what stands at the start has stood long enough."""
    configuration = [plant.nodes[n].configuration for n in node]
    turning = [plant.configuration(n).engine != "stopped" for n in node]
    begins_at_rest = not turning[0]
    for number, (_, length) in enumerate(runs(configuration)[:-1]):
        if length < waits.dwell_s and not (number == 0 and begins_at_rest):
            return False
    for number, (on, length) in enumerate(runs(turning)[:-1]):
        if length < (waits.engine_on_s if on else waits.engine_off_s) and not (number == 0 and begins_at_rest):
            return False
    return True


# --------------------------------------------------------------------------------------------------- a few seconds


def few_seconds(pieces, waits: Waits):
    """Six seconds of three-clutch in four configurations, two points each; 90 kJ may be used, so the engine need not always run."""
    tables = pieces.tables("three-clutch", *SECONDS)
    energy = float(tables.plant.layout.battery.energy_J(tables.plant.layout.battery.soc_target))
    problem = build_problem(tables, energy, energy - 90_000.0, transition_costs(tables, waits))
    wanted = [tables.plant.configuration(n).id in FEW and tables.plant.nodes[n].lane in (0, 1) for n in range(len(tables.plant.nodes))]
    count = np.where(wanted, np.minimum(problem.points.count, 2), 0)
    return replace(problem, points=problem.points._replace(count=count), alive=count > 0)


@pytest.fixture(scope="module")
def every_schedule(pieces) -> list[tuple[list[int], float]]:
    """Every schedule of nodes there is, with its least cost; of points the labels (cost, energy) that nothing beats."""
    problem = few_seconds(pieces, NO_WAITS)
    plant, points, changes = problem.plant, problem.points, problem.changes
    K, N = points.count.shape
    found: list[tuple[list[int], float]] = []

    def step(k: int, schedule: list[int], labels: list[tuple[float, float]]) -> None:
        if k == K:
            found.append((schedule, min((g for g, e in labels if e >= problem.target_J), default=np.inf)))
            return
        a = schedule[-1] if schedule else N
        for n in np.flatnonzero(points.count[k]):
            if changes.stored[k, a, n] > 1e20:
                continue
            after = []
            for g, e in labels:
                left = e - changes.stored[k, a, n]
                for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                    after.append((g + changes.fixed[a, n] + points.fuel[j] * points.burn[k],
                                  left - internal_power(plant.battery, left, points.power[j]) * points.dt[k]))
            step(k + 1, [*schedule, int(n)], unbeaten(after))

    step(0, [], [(0.0, problem.start_J)])
    return found


def unbeaten(labels: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Labels with less cost or more energy than every other."""
    out: list[tuple[float, float]] = []
    for g, e in sorted(labels, key=lambda label: (label[0], -label[1])):
        if not out or e > out[-1][1]:
            out.append((g, e))
    return out


@pytest.mark.parametrize("waits", [NO_WAITS, Waits(2.0), Waits(3.0, 4.0), Waits(0.0, 3.0, 3.0), Waits(4.0, 0.0, 2.0)],
                         ids=lambda w: f"{w.dwell_s:g}-{w.engine_on_s:g}-{w.engine_off_s:g}")
def test_every_schedule_tried(pieces, every_schedule, waits):
    """All schedules of four configurations: none better than the bound, and the dynamic programming finds the best of them."""
    problem = few_seconds(pieces, waits)
    costs = [g for node, g in every_schedule if kept(problem.plant, node, waits)]
    least = min(costs)
    assert len(costs) > 10 and np.isfinite(least) and least >= min(g for _, g in every_schedule)
    assert len(costs) < len(every_schedule) or waits == NO_WAITS
    found = solve_dynamic(problem, full_corridor(problem, 20_001, 2.6 / problem.plant.heating_value_J_g, 30.0))
    assert kept(problem.plant, found.node, waits)
    assert least - 1e-9 <= found.objective_g <= least * 1.003
    assert first_bound(problem)[1].bound_g <= least + 1e-9


def test_waits_cost_something_there(pieces, every_schedule):
    """A check of the check above: in these seconds a dwell of three seconds rules the best schedule out."""
    plant = few_seconds(pieces, NO_WAITS).plant
    free = min(g for _, g in every_schedule)
    assert min(g for node, g in every_schedule if kept(plant, node, Waits(3.0, 4.0))) > 1.05 * free


# ------------------------------------------------------------------------------------------------------ the counts


def test_counts_round_up():
    """2.5 s are three intervals of one; none and one second are no wait at all: an interval lasts one."""
    assert Waits(2.5, 1.0, 0.0).counts(1.0) == (3, 1, 1)
    assert Waits(0.3, 6.0, 0.1).counts(0.1) == (3, 60, 1)
    assert at_least(Waits(2.0, 3.0, 0.0), 1.0, 4.0) == Waits(2.0, 3.0, 4.0)


@pytest.mark.parametrize("waits", [Waits(3.0), Waits(2.0, 3.0, 2.0)])
def test_counted_states_allow_what_the_waits_do(pieces, waits):
    """Every walk of six seconds through the states keeps the waits, and random schedules that keep them can be walked."""
    plant = pieces.plant("series")
    node, allowed = counted_states(plant, waits)
    assert node[-1] == len(plant.nodes)
    draw = np.random.default_rng(3)
    for _ in range(60):
        state, walk = len(node) - 1, []
        for _ in range(9):
            state = int(draw.choice(np.flatnonzero(allowed[state])))
            walk.append(int(node[state]))
        assert kept(plant, walk, waits)
    seen = 0
    for _ in range(4000):
        schedule = np.repeat(draw.integers(len(plant.nodes), size=4), draw.integers(1, 5, size=4))
        if kept(plant, schedule, waits):
            states = {len(node) - 1}
            for n in schedule:
                states = {int(after) for s in states for after in np.flatnonzero(allowed[s]) if node[after] == n}
            assert len(states) == 1
            seen += 1
    assert seen > 100


# ------------------------------------------------------------------------------------------------------ whole trips


def test_a_longer_wait_never_lowers_the_optimum(pieces):
    """Each wait kept in the trip that was found; cost rises with them, beyond what is left unproven."""
    cycle = pieces.cycle(*PIECE)
    found = {w: optimum(load_layout("series"), cycle, grid=pieces.small_grid, lanes=2, waits=w)
             for w in (NO_WAITS, Waits(2.0, 3.0, 2.0), Waits(3.0, 6.0, 5.0))}
    for waits, one in found.items():
        assert kept(one.problem.plant, one.trace.node, waits)
        assert one.lower_bound_g <= one.objective_g
        assert abs(one.energy_residual_percent) < 1e-4
        assert one.waits_s == {"dwell": waits.dwell_s, "engine_on": waits.engine_on_s, "engine_off": waits.engine_off_s}
    for free, tight in itertools.pairwise(found.values()):
        assert free.lower_bound_g <= tight.objective_g
        assert free.objective_g <= tight.objective_g * (1 + (free.gap_percent + free.table_error_percent) / 100)


def test_least_times_of_the_engine_file_hold_unasked(pieces):
    """``minimum_on_s`` and ``minimum_off_s`` of the engine stand beside what is asked for."""
    layout = load_layout("series")
    engine = replace(layout.engine.engine, minimum_on_s=6.0, minimum_off_s=4.0)
    layout = replace(layout, engine=replace(layout.engine, engine=engine))
    found = optimum(layout, pieces.cycle(*PIECE), grid=pieces.small_grid, lanes=2, waits=Waits(0.0, 2.0, 5.0))
    assert found.waits_s == {"dwell": 0.0, "engine_on": 6.0, "engine_off": 5.0}
    assert kept(found.problem.plant, found.trace.node, Waits(0.0, 6.0, 5.0))
