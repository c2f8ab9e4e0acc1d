"""A lower bound above the affine one, for trips with few engine starts: cells of stored energy, reduced costs, nothing interpolated."""

from __future__ import annotations

import math

import numpy as np

from ems.kernels.cells import BLOCK, NEAR, Cells, least_excess
from ems.plant.plant import Plant
from ems.solve.certificate import Bound, pruned
from ems.solve.problem import Problem
from ems.solve.room import Room, passable, room_of
from ems.types import Array

LIMIT_SLACK = 1e-6      # on power limits, for rounding
LEAST_RAISE = 1e-6      # of the bound: less is not worth a sweep
BYTES_A_CELL = 32       # of every state
MOST_BYTES = 5e8        # of the values of all cells
LEAST_HEIGHT = 0.001    # of what is cut into cells, share of the window


def raised_bound_g(problem: Problem, bound: Bound, by_g: float, count: int, most_work: float = math.inf, least_g: float = 0.0) -> float:
    """The affine bound raised by the least excess of any trip, and by ``by_g`` at most [g]; still a lower bound of every policy.

    Points and changes through which a trip costs more need not be followed, so less is done for less.
    count : cells between the least and the most energy of any such trip; fewer where memory has no room for so many
    most_work : points times cells; the bound is raised by less where there would be more
    least_g : by less than that it need not be raised at all
    """
    count = min(count, int(MOST_BYTES / (BYTES_A_CELL * problem.states)))
    narrow = pruned(problem, bound, by_g)
    while True:
        if not passable(narrow):
            return bound.bound_g + by_g             # there is no such trip
        room = room_of(narrow, bound, by_g)
        if count * room.share * narrow.points.fuel.size <= most_work:
            break
        by_g *= 0.7
        if by_g < max(least_g, LEAST_RAISE * abs(bound.bound_g)):
            return bound.bound_g
        narrow = pruned(narrow, bound, by_g)
    excess = least_excess(narrow.points, narrow.links, cells_of(narrow, room, count), bound.costate_g_J, bound.intercept_g,
                          bound.stage_g, by_g, problem.start_J - problem.target_J)
    return bound.bound_g + min(max(float(excess), 0.0), by_g)


def cells_of(problem: Problem, room: Room, count: int) -> Cells:
    """All that a trip can reach in equal cells, and a little beside it."""
    (low, high), (lowest, highest) = room.ends_J, problem.window_J
    beside = (high - low) / count + max(LEAST_HEIGHT * (highest - lowest) - (high - low), 0.0) / 2.0
    low, high = max(low - beside, lowest), min(high + beside, highest)
    cells = in_cells(problem, (low, high), count)
    block = (high - low) / count * BLOCK
    begin = np.floor((room.low_J - low) / block - NEAR).astype(np.int64)
    end = np.floor((room.high_J - low) / block + NEAR).astype(np.int64) + 1
    return cells._replace(begin=np.maximum(begin, 0), end=np.minimum(end, cells.out_least.size))


def in_cells(problem: Problem, ends_J: tuple[float, float], count: int) -> Cells:
    """A stretch of the window in equal cells with the extremes of R / V^2 and of the power limits in each block of them, knots of the
    battery's table inside a cell included; a trip can be in any of them."""
    battery, (low, high) = problem.plant.layout.battery, ends_J
    edge = np.linspace(low, high, count + 1)
    knots = battery.node_energy_J[(battery.node_energy_J > low) & (battery.node_energy_J < high)]
    where = np.append(edge, knots)
    cell = np.clip(((knots - low) / (high - low) * count).astype(int), 0, count - 1)
    soc = np.asarray(battery.soc_at(np.clip(where, low, high)))
    v_least, v_most = _extremes(np.interp(soc, battery.soc, battery.voltage_V), cell, count)
    bounds = []
    starts = np.arange(0, count, BLOCK)
    for resistance in (battery.resistance_discharge_ohm, battery.resistance_charge_ohm):
        r_least, r_most = _extremes(np.interp(soc, battery.soc, resistance), cell, count)
        bounds.append((np.minimum.reduceat(r_least / v_most**2, starts), np.maximum.reduceat(r_most / v_least**2, starts)))
    gives, takes = (np.min([_extremes(term, cell, count)[1] for term in terms], axis=0) for terms in _limit_terms(problem.plant, soc))
    most_gives, most_takes = ((1.0 + LIMIT_SLACK) * np.maximum.reduceat(most, starts) for most in (gives, takes))
    shape = (2, problem.points.dt.size + 1)
    (out_least, out_most), (in_least, in_most) = bounds
    return Cells(edge - problem.target_J, out_least, out_most, in_least, in_most, most_gives, most_takes,
                 np.zeros(shape, np.int64), np.full(shape, starts.size))


def _limit_terms(plant: Plant, soc: Array) -> tuple[list[Array], list[Array]]:
    """What limits the power the battery gives, and takes, at some charges [W]; the least of each list is the limit.

    Each is convex between knots, so greatest at an end of a cell; their least need not be.
    """
    battery, b = plant.layout.battery, plant.battery
    v = np.interp(soc, battery.soc, battery.voltage_V)
    out, into = (np.interp(soc, battery.soc, ohm) for ohm in (battery.resistance_discharge_ohm, battery.resistance_charge_ohm))
    current = np.minimum(b.discharge_A, v / (2.0 * out))
    gives = [np.interp(soc, b.soc, b.discharge_W), v**2 / (4.0 * out), v * current - out * current**2]
    return gives, [np.interp(soc, b.soc, b.charge_W), v * b.charge_A + into * b.charge_A**2]


def _extremes(values: Array, cell: np.ndarray[tuple[int], np.dtype[np.int64]], count: int) -> tuple[Array, Array]:
    """(least, most) in each cell of values at the edges, followed by values at knots that lie in the cells named."""
    edges, knots = values[: count + 1], values[count + 1:]
    least, most = np.minimum(edges[1:], edges[:-1]), np.maximum(edges[1:], edges[:-1])
    np.minimum.at(least, cell, knots)
    np.maximum.at(most, cell, knots)
    return least, most
