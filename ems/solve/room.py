"""Where a trip can be: least and most stored energy at every moment, of all trips near enough to the bound."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ems.solve.certificate import Bound
from ems.solve.problem import Problem
from ems.types import Array


class Room(NamedTuple):
    """Least and most stored energy of every trip that matters [J], (2, K + 1): before the change at the start of an interval, after it."""

    low_J: Array
    high_J: Array

    @property
    def ends_J(self) -> tuple[float, float]:
        """Least and most of the whole trip."""
        return float(self.low_J.min()), float(self.high_J.max())

    @property
    def share(self) -> float:
        """Mean height over that of the whole trip; 1 where a trip has only one way."""
        low, high = self.ends_J
        return float((self.high_J - self.low_J).mean()) / (high - low) if high > low else 1.0


def passable(narrow: Problem) -> bool:
    """Whether every interval has a point and a change that leads to it."""
    return bool(narrow.points.count.any(axis=1).all() and np.diff(narrow.links.first).all())


def room_of(narrow: Problem, bound: Bound, by_g: float) -> Room:
    """Where a trip can be that costs less than the bound plus ``by_g``: down by what the dearest point and change of each interval take
    from the battery, up by the cheapest, from both ends of the trip.

    narrow : the problem as ``pruned`` leaves it, with only the points and changes of such trips; it must be ``passable``
    """
    (low, high), points, links = narrow.window_J, narrow.points, narrow.links
    most_J, least_J = (each * points.dt for each in _drawn(narrow))
    dearest_J, cheapest_J = (by.reduceat(links.stored, links.first[:-1]) for by in (np.maximum, np.minimum))
    intervals = points.dt.size
    lows, highs = np.full((2, intervals + 1), low), np.full((2, intervals + 1), high)
    lows[0, 0] = highs[0, 0] = narrow.start_J
    for k in range(intervals):
        lows[1, k], highs[1, k] = max(lows[0, k] - dearest_J[k], low), min(highs[0, k] - cheapest_J[k], high)
        lows[0, k + 1], highs[0, k + 1] = max(lows[1, k] - most_J[k], low), min(highs[1, k] - least_J[k], high)
    price = float(bound.costate_g_J[-1])
    floor, ceiling = narrow.target_J, min(narrow.target_J + by_g / price, high) if price > 0.0 else high
    for k in range(intervals, -1, -1):
        lows[0, k], highs[0, k] = max(lows[0, k], floor), min(highs[0, k], ceiling)
        if k:
            floor, ceiling = max(floor + least_J[k - 1], low), min(ceiling + most_J[k - 1], high)
            lows[1, k - 1], highs[1, k - 1] = max(lows[1, k - 1], floor), min(highs[1, k - 1], ceiling)
            floor, ceiling = max(floor + cheapest_J[k - 1], low), min(ceiling + dearest_J[k - 1], high)
    lows[1, -1], highs[1, -1] = lows[0, -1], highs[0, -1]
    return Room(np.minimum(lows, highs), np.maximum(lows, highs))


def _drawn(narrow: Problem) -> tuple[Array, Array]:
    """Most and least internal power of the points of each interval, at any energy inside the window [W], (K,)."""
    points, battery, (low, high) = narrow.points, narrow.plant.layout.battery, narrow.window_J
    inside = battery.soc[(battery.node_energy_J > low) & (battery.node_energy_J < high)]
    soc = np.concatenate([battery.soc_at(np.array([low, high])), inside])
    v = np.interp(soc, battery.soc, battery.voltage_V)
    out, into = (np.interp(soc, battery.soc, ohm) for ohm in (battery.resistance_discharge_ohm, battery.resistance_charge_ohm))
    begin = np.concatenate([[0], np.cumsum(points.count.sum(axis=1))])[:-1]

    def internal_W(terminal_W: Array, out: float, into: float) -> Array:
        ohm_V2 = np.where(terminal_W > 0.0, out, into)
        return 2.0 * terminal_W / (1.0 + np.sqrt(np.maximum(1.0 - 4.0 * terminal_W * ohm_V2, 0.0)))

    return (internal_W(np.maximum.reduceat(points.power, begin), out.max() / v.min()**2, into.max() / v.min()**2),
            internal_W(np.minimum.reduceat(points.power, begin), out.min() / v.max()**2, into.min() / v.max()**2))
