"""The bound raised in cells computed anew from what ``tables.npz`` holds, with nothing but numpy.

Source: weak duality (Bertsekas, Dynamic Programming and Optimal Control, sec. 6.2; from memory): a backward sweep that takes, for every
cell of stored energy, the least over all energies inside it and over all cells a step can end in, is below every trip.
"""

from __future__ import annotations

import numpy as np
import pytest

from ems.solve.cells import raised_bound_g
from ems.solve.dump import problem_arrays
from ems.solve.room import Room

NARROW = ("battery.soc_low=0.535", "battery.soc_high=0.565")
CASES = [("series", 160, 330, (), (500, 1500)), ("series", 160, 260, NARROW, (300, 900)), ("input-split", 160, 310, (), (1500,))]


def loss_factors(file, cells):
    """(edges from the target, least and most R / V^2 in each cell: discharging, charging)."""
    soc, volt, knots = file["battery_soc"], file["battery_voltage_V"], file["battery_energy_J"]
    edge = np.linspace(*file["window_J"], cells + 1)
    fine = np.linspace(soc[0], soc[-1], 400_001)
    v = np.interp(fine, soc, volt)
    stored = np.concatenate([[0.0], np.cumsum(file["battery_capacity_As"] * np.diff(fine) * 0.5 * (v[1:] + v[:-1]))])
    where = np.append(edge, knots[(knots > edge[0]) & (knots < edge[-1])])
    cell = np.clip(np.searchsorted(edge, where, side="right") - 1, 0, cells - 1)
    at = np.interp(where, stored, fine)
    v, found = np.interp(at, soc, volt), []
    for name in ("battery_discharge_ohm", "battery_charge_ohm"):
        r = np.interp(at, soc, file[name])
        ends = []
        for values in (r, v):
            low, high = np.minimum(values[:cells], values[1:cells + 1]), np.maximum(values[:cells], values[1:cells + 1])
            np.minimum.at(low, cell[cells + 1:], values[cells + 1:])
            np.maximum.at(high, cell[cells + 1:], values[cells + 1:])
            ends.append((low, high))
        (r_low, r_high), (v_low, v_high) = ends
        found.append((r_low / v_high**2, r_high / v_low**2))
    return edge - float(file["target_J"]), *found


def electrochemical(power, x):
    return 2 * power / (1 + np.sqrt(np.maximum(1 - 4 * power * x, 0.0)))


def reached(index, most, least):
    """(first, last) cell that can be reached from the cells ``index`` by falling ``least`` to ``most`` cells; not falling: its own."""
    still = (most == 0) & (least == 0)
    return (np.where(still, index, index + np.floor(-most - 1e-9).astype(int)),
            np.where(still, index, index + 1 + np.floor(-least + 1e-9).astype(int)))


def least_between(values, first, last):
    """Least of values (C,) from cell ``first`` to ``last`` (arrays alike); infinite where all of them are outside the window."""
    padded = np.append(values, np.inf)
    least = np.full(first.shape, np.inf)
    for step in range(int((last - first).max()) + 1):
        at = first + step
        least = np.minimum(least, padded[np.where((at <= last) & (at >= 0) & (at < values.size), at, values.size)])
    return least


def bound_in_cells(file, slope, cells):
    """Lower bound of every trip: X_k(node, cell) is at most cost to go plus slope_k times energy, for every energy of the cell."""
    edge, out_of, into = loss_factors(file, cells)
    width, count, index = edge[1] - edge[0], file["count"], np.arange(cells)
    K, N = file["demand_of"].size, count.shape[1]
    value = np.broadcast_to(np.where(edge[1:] >= 0, slope[K] * np.maximum(edge[:-1], 0.0), np.inf), (N, cells))
    for k in range(K - 1, -1, -1):
        dt, tilt, u = file["dt_s"][k], slope[k] - slope[k + 1], file["demand_of"][k]
        driven = np.full((N, cells), np.inf)
        for n in np.flatnonzero(count[u]):
            chosen = slice(file["first"][u, n], file["first"][u, n] + count[u, n])
            power = file["power_W"][chosen][:, None]
            low, high = (electrochemical(power, np.where(power > 0, out_of[i], into[i])) for i in (0, 1))
            paid = file["fuel_g_s"][chosen][:, None] * dt + slope[k + 1] * dt * low + np.minimum(tilt * edge[1:], tilt * edge[:-1])
            possible = 1 - 4 * power * np.where(power > 0, out_of[0], into[0]) >= 0
            after = least_between(value[n], *reached(index, dt * high / width, dt * low / width))
            driven[n] = np.where(possible, paid + after, np.inf).min(axis=0)
        if k == 0:
            break
        value = np.full((N, cells), np.inf)
        for a in range(N):
            for n in np.flatnonzero(np.isfinite(file["stored_J"][k, a])):
                moved = file["stored_J"][k, a, n] / width
                after = least_between(driven[n], *reached(index, moved, moved))
                value[a] = np.minimum(value[a], file["fixed_g"][a, n] + slope[k] * file["stored_J"][k, a, n] + after)
    start, best = float(file["start_J"] - file["target_J"]), np.inf
    for n in np.flatnonzero(np.isfinite(file["stored_J"][0, N])):
        place = (start - file["stored_J"][0, N, n] - edge[0]) / width
        at = np.array([int(np.floor(place - 1e-9)), int(np.floor(place + 1e-9))]).clip(0, cells - 1)
        best = min(best, file["fixed_g"][N, n] + slope[0] * file["stored_J"][0, N, n] + driven[n][at].min())
    return best - slope[0] * start


@pytest.mark.parametrize(("layout", "begin", "end", "overrides", "counts"), CASES, ids=["series", "narrow-window", "input-split"])
def test_raised_bound_of_the_file_alone(pieces, monkeypatch, layout, begin, end, overrides, counts):
    """With the same slopes and as many cells, over the whole window: the claim is never above the bound computed here, which bounds the
    battery's losses in every single cell, and comes near it; it rises above the affine bound and both stay below the trip."""
    found = pieces.optimum(layout, "udds", begin, end, overrides)
    window = Room(*(np.full((2, end - begin + 1), each) for each in found.problem.window_J))
    monkeypatch.setattr("ems.solve.cells.room_of", lambda *_: window)
    file, objective = problem_arrays(found), found.objective_g
    for cells in counts:
        by_g = 1.02 * (objective - found.bound.bound_g) + 1e-6
        claim, own = raised_bound_g(found.problem, found.bound, by_g, cells), bound_in_cells(file, file["costate_g_J"], cells)
        assert claim <= own + 1e-9 * objective
        assert claim >= own - 5e-4 * objective
        assert own <= objective * (1 + 1e-9)
    assert claim > found.bound.bound_g + 1e-6 * objective        # there is something to raise
