"""Frontiers one after the other: what a search leaves for the tables."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ems.kernels.frontier import Frontiers
from ems.plant.plant import Plant
from ems.types import Array, BoolArray, IntArray


class Rows(NamedTuple):
    """R frontiers, Q points in all: counts (R,), fuel (Q,) [g/s], power (Q,) [W], choice (Q, 3 + I)."""

    counts: IntArray
    fuel: Array
    power: Array
    choice: Array


def pairs(wanted: BoolArray) -> tuple[IntArray, IntArray]:
    """Demand and node of every row of a search, from (U, N) which are wanted; each contiguous, as the search was compiled for."""
    demand, node = np.nonzero(wanted)
    return np.ascontiguousarray(demand), np.ascontiguousarray(node)


def empty_frontiers(rows: int, capacity: int, plant: Plant) -> Frontiers:
    """Room for frontiers of so many points."""
    width = 3 + plant.arrays.inner_source.shape[1]
    return Frontiers(np.zeros((rows, capacity)), np.zeros((rows, capacity)), np.zeros((rows, capacity, width)), np.zeros(rows, np.int64))


def unpadded(out: Frontiers) -> Rows:
    """The points of padded frontiers."""
    used = np.arange(out.fuel.shape[1])[None, :] < out.count[:, None]
    return Rows(out.count, out.fuel[used], out.power[used], out.choice[used])
