"""The steps of the optimum on given tables: first bound, refined tables, trip and certificate, raised bound."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ems.errors import RunError
from ems.kernels.dynamic import Corridor
from ems.kernels.frontier import Grid
from ems.solve.cells import raised_bound_g
from ems.solve.certificate import LONG_S, Bound, best_bound, bound_at, pruned, reach_g
from ems.solve.clock import Clock, Progress
from ems.solve.costate import costate_shape, solve_costate
from ems.solve.dynamic import PENALTY, Driven, full_corridor, narrow_corridor, solve_dynamic
from ems.solve.problem import Problem
from ems.solve.room import Room, passable, room_of
from ems.tables.build import Tables, added
from ems.types import Array, BoolArray, IntArray

FIRST_COSTATE = 2.5             # fuel energy per electrochemical energy: where the search begins
ROUGH_NODES = 101               # battery nodes of the sweep that only shows where the window binds
COARSE_NODES, FINE_NODES = 251, 201
NODES_TIMES = (1, 3, 16, 40)      # as many by effort
SHORT_S = 120.0                 # seconds of a trip in which single points matter
STEEP_PENALTY = 50.0            # costates by which a missed target is priced there too, once the usual price found no trip near the bound
WIDER = 3.0                     # times the slack: points that meet the charge asked for where those near the bound do not
MOST_VALUES = 60_000_000        # of a sweep at any time, of 4 bytes each; no more nodes than that, but ROUGH_NODES at least
CORRIDORS = (0.1, 0.02, 0.004)  # half heights of the fine corridors, share of what the coarse sweep looks at
TOUCHES = 0.0025                # share of the window this near to whose ends a trip is said to touch it
SLACK = 0.0004                  # cost above the bound beyond which points are not looked at in the first sweep, relative
SLACK_TABLES = 0.0003           # the same for the nodes whose tables are refined
TRIP_MISSED = 0.005             # cost above the bound that no duality gap explains (most seen: 0.0025), relative
BEYOND = 0.1                    # how far below the gap that is aimed at the cells go, relative
SPREAD, APART = 0.008, 0.02      # how far around the costate supporting points are sought, and how far apart, relative
MOST_SLOPES = 9
BESIDE = 0.01                    # how far beyond what a trip can reach battery nodes go, share of the window
CONTACT = 0.08                  # share of the window within which a turn of the trajectory may be a contact (more only costs time)


@dataclass(frozen=True, slots=True)
class Aim:
    """Which gap is small enough, relative, and what is done to reach it.

    free, binding : where the window does not bind, and where it does
    tables : the table error that is small enough, relative
    cells : by effort (more nodes in the sweeps each time), the numbers of cells of stored energy in which the bound is raised
    work : most points times cells in half an hour of trip, for which it is raised
    """

    free: float = 0.0002
    binding: float = 0.0005
    tables: float = 0.0002
    cells: tuple[tuple[int, ...], ...] = ((2000, 6000), (6000,), (20000, 60000))
    work: float = 6e9

    def wanted(self, problem: Problem, driven: Driven) -> float:
        """The gap that is small enough beside a trip."""
        return self.binding if binds(problem, driven.energy_J) else self.free


USUAL = Aim()


def aim_at(gap_percent: float | None) -> Aim:
    """The usual aim; for a gap that was asked for, one that spends more before it gives a narrow one up, and no more for a wide one."""
    if gap_percent is None:
        return USUAL
    asked = replace(USUAL, free=gap_percent / 100.0, binding=gap_percent / 100.0)
    return asked if asked.free >= USUAL.binding else replace(asked, cells=(*USUAL.cells, (60000,)), work=math.inf)


def first_bound(problem: Problem) -> tuple[Problem, Bound]:
    """Costate and a first certificate; where the window binds, segments between the contacts of a coarse trajectory."""
    costate = solve_costate(problem, FIRST_COSTATE / problem.plant.heating_value_J_g)
    final = float(costate.above.costate_g_J[-1])
    one = np.zeros(problem.points.dt.size + 1, np.int64)
    bound = bound_at(problem, costate.above.shape, one, np.array([final]))
    if costate.inside(*problem.window_J):
        return problem, bound
    rough, _ = _coarse_sweep(problem, bound, reach_g(problem, bound, SLACK), ROUGH_NODES)
    segments = segments_between_contacts(problem, rough.energy_J)
    start = np.full(int(segments.max()) + 1, final)
    return problem, best_bound(problem, costate.above.shape, segments, start)


def segments_between_contacts(problem: Problem, energy_J: Array) -> IntArray:
    """(K + 1,) segment between contacts with the window: it changes where a trajectory stays at an end of the window most closely."""
    low, high = problem.window_J
    touch = CONTACT * (high - low)
    side = np.where(energy_J <= low + touch, -1, np.where(energy_J >= high - touch, 1, 0))
    segment = np.zeros(energy_J.size, np.int64)
    number, k = 0, 1
    while k < energy_J.size - 1:
        if side[k] == 0:
            segment[k] = number
            k += 1
            continue
        end = k
        while end < energy_J.size - 1 and side[end] == side[k]:
            end += 1
        closest = k + int(np.argmin(side[k] * -energy_J[k:end]))
        segment[k:closest + 1] = number
        number += 1
        segment[closest + 1:end] = number
        k = end
    segment[-1] = number
    return segment


def binds(problem: Problem, energy_J: Array) -> bool:
    """Whether the window binds: a trip comes to one of its ends."""
    low, high = problem.window_J
    return bool(min(energy_J.min() - low, high - energy_J.max()) < TOUCHES * (high - low))


def near(problem: Problem, bound: Bound, slack_g: float) -> BoolArray:
    """(U, N) demands and nodes that a trip within ``slack_g`` of the bound can use."""
    alive = pruned(problem, bound, slack_g).alive
    reached = np.zeros(problem.tables.count.shape, bool)
    interval, node = np.nonzero(alive)
    reached[problem.tables.demand_of[interval], node] = True
    return reached


def slopes_around(bound: Bound, demand_of: IntArray, fuel_factor: Array, spread: float) -> Array:
    """(U, L) slopes by demand, from a little below the least costate of its intervals to a little above the greatest; NaN beyond.

    demand_of : (K,) demand of each interval      fuel_factor : (K,) fuel over that of a warm engine, of which the tables are
    """
    after, size = bound.costate_g_J[1:] / fuel_factor, int(demand_of.max()) + 1
    low, high = np.full(size, np.inf), np.zeros(size)
    np.minimum.at(low, demand_of, (1.0 - spread) * after)
    np.maximum.at(high, demand_of, (1.0 + spread) * after)
    count = np.minimum(1 + np.ceil((high - low) / np.maximum(APART * high, 1e-300) - 1e-9), MOST_SLOPES)
    step = np.arange(int(count.max()))
    slopes = low[:, None] + (high - low)[:, None] * step / np.maximum(count - 1, 1)[:, None]
    return np.where(step < count[:, None], slopes, np.nan)


def refined_near(problem: Problem, bound: Bound, grid: Grid) -> Tables:
    """Tables with supporting points sought around the costate, where an optimum can pass."""
    reached = near(problem, bound, reach_g(problem, bound, SLACK_TABLES))
    return added(problem.tables, reached, grid, slopes_around(bound, problem.tables.demand_of, problem.fuel_factor, SPREAD))


@dataclass(frozen=True, slots=True, eq=False)
class Proven:
    """A trip, the affine certificate along it, and the lower bound [g], raised above that where it was worth it."""

    driven: Driven
    bound: Bound
    lower_g: float


def proven(problem: Problem, bound: Bound, clock: Clock, say: Progress, aim: Aim = USUAL) -> Proven:
    """Trip and lower bound, with more effort while the gap is wide.

    bound : values to begin with; they may come from another problem on the same trip
    """
    best: Driven | None = None
    bound = clock.lap("certificate", lambda: bound_at(problem, bound.shape, bound.segments, bound.values_g_J))
    lower_g = 0.0                                   # fuel and prices are never negative
    for effort, cells in enumerate(aim.cells):
        say("dynamic programming" if effort == 0 else "dynamic programming, finer")
        slack = reach_g(problem, bound, SLACK) if best is None else 1.05 * (best.objective_g - bound.bound_g)
        driven = clock.lap("solve", partial(_drive, problem, bound, slack, effort))
        best = driven if best is None else min(best, driven, key=lambda d: d.objective_g)
        say("certificate")
        bound = clock.lap("certificate", partial(_final_bound, problem, best, bound))
        lower_g = max(lower_g, bound.bound_g)
        if best.objective_g - lower_g > TRIP_MISSED * best.objective_g and effort + 1 < len(aim.cells):
            continue                                # a better trip closes that, not cells
        lower_g = clock.lap("certificate", partial(raised, problem, bound, best, lower_g, aim, cells, say))
        if best.objective_g - lower_g <= aim.wanted(problem, best) * best.objective_g:
            break
    assert best is not None
    return Proven(best, bound, lower_g)


def _drive(problem: Problem, bound: Bound, slack_g: float, effort: int) -> Driven:
    """The best trip of that effort; on a short one, where single points matter, at either price of a missed target and through more.

    slack_g : how far from the bound a point may lie to be looked at      effort : 0, 1, ..: more nodes
    """
    times = NODES_TIMES[min(effort, len(NODES_TIMES) - 1)]
    short = effort > 0 and float(problem.points.dt.sum()) <= SHORT_S
    ways = [(share * slack_g, penalty) for share in (1.0, WIDER) for penalty in (PENALTY, STEEP_PENALTY)] if short else [(slack_g, PENALTY)]
    return min((_drive_at(problem, bound, slack, times, penalty) for slack, penalty in ways), key=lambda d: d.objective_g)


def _drive_at(problem: Problem, bound: Bound, slack_g: float, times: int, penalty: float) -> Driven:
    """Coarse sweep over all that a trip can reach, then ever finer sweeps in corridors around the best trip so far.

    times : as many battery nodes      penalty : costates by which a missed target is priced
    """
    costate = float(bound.costate_g_J.max())
    best, height_J = _coarse_sweep(problem, bound, slack_g, COARSE_NODES * times, penalty)
    narrow = problem
    for share in CORRIDORS:
        half = share * height_J
        narrow = pruned(narrow, bound, min(slack_g, best.objective_g - bound.bound_g) + 1e-6)
        corridor = narrow_corridor(narrow, best.energy_J - half, best.energy_J + half, _nodes(narrow, FINE_NODES * times), costate,
                                   penalty)
        with suppress(RunError):                    # a corridor may hold no way to the target; the trip it lies around does
            best = min(best, solve_dynamic(narrow, corridor), key=lambda d: d.objective_g)
    return best


def _coarse_sweep(problem: Problem, bound: Bound, slack_g: float, nodes: int, penalty: float = PENALTY) -> tuple[Driven, float]:
    """A trip through the pruned problem, and the mean height of what was searched for it [J].

    Through more points where too few were kept to stay inside the window.
    """
    costate = float(bound.costate_g_J.max())
    for times in (1.0, 10.0, 100.0):
        narrow = pruned(problem, bound, times * slack_g)
        if passable(narrow):
            with suppress(RunError):
                corridor = _all_room(narrow, room_of(narrow, bound, times * slack_g), _nodes(narrow, nodes), costate, penalty)
                return solve_dynamic(narrow, corridor), float(corridor.step.mean()) * (corridor.size - 1)
    low, high = problem.window_J
    return solve_dynamic(problem, full_corridor(problem, _nodes(problem, nodes), costate, penalty)), high - low


def _nodes(problem: Problem, wanted: int) -> int:
    """As many battery nodes as are wanted, or as their values find room in memory."""
    states = int(problem.alive[:, problem.changes.node[:-1]].sum())
    return max(min(wanted, MOST_VALUES // max(states, 1)), ROUGH_NODES)


def _all_room(narrow: Problem, room: Room, nodes: int, costate_g_J: float, penalty: float) -> Corridor:
    """Battery nodes over all that a trip can reach, and a little beside it."""
    low, high = narrow.window_J
    beside = BESIDE * (high - low)
    return narrow_corridor(narrow, room.low_J[0] - beside, room.high_J[0] + beside, nodes, costate_g_J, penalty)


def _final_bound(problem: Problem, driven: Driven, bound: Bound) -> Bound:
    """Certificate along the trajectory that was found."""
    shape = costate_shape(problem, driven.energy_J, problem.points.power[driven.point])
    segments = segments_between_contacts(problem, driven.energy_J)
    start = np.array([np.mean(bound.costate_g_J[segments == s]) / np.mean(shape[segments == s]) for s in range(int(segments.max()) + 1)])
    again = best_bound(problem, shape, segments, start)
    return max(again, bound, key=lambda b: b.bound_g)


def raised(problem: Problem, bound: Bound, driven: Driven, lower_g: float, aim: Aim, cells: tuple[int, ...], say: Progress) -> float:
    """The lower bound [g], raised in cells of stored energy as far as the gap that is wanted needs it.

    lower_g : the best lower bound so far
    """
    objective_g, wanted = driven.objective_g, aim.wanted(problem, driven)
    work = aim.work * max(1.0, float(problem.points.dt.sum()) / LONG_S)
    for count in cells:
        if objective_g - lower_g <= wanted * objective_g:
            break
        say(f"certificate in {count} cells")
        by = (1.0 - (1.0 - BEYOND) * wanted) * objective_g - bound.bound_g
        lower_g = max(lower_g, raised_bound_g(problem, bound, by, count, work, lower_g - bound.bound_g))
    return lower_g
