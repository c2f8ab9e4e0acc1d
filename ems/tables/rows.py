"""Frontiers one after the other: what a search leaves for the tables."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ems.kernels.frontier import Demands, Frontiers, Grid, build_frontiers, make_scratch
from ems.kernels.jit import share_out
from ems.kernels.plant import PlantArrays
from ems.plant.plant import Plant
from ems.types import Array, IntArray


class Rows(NamedTuple):
    """R frontiers, Q points in all: counts (R,), fuel (Q,) [g/s], power (Q,) [W], choice (Q, 3 + I)."""

    counts: IntArray
    fuel: Array
    power: Array
    choice: Array


def _empty_frontiers(rows: int, capacity: int, plant: Plant) -> Frontiers:
    """Room for frontiers of so many points."""
    width = 3 + plant.arrays.inner_source.shape[1]
    return Frontiers(np.zeros((rows, capacity)), np.zeros((rows, capacity)), np.zeros((rows, capacity, width)), np.zeros(rows, np.int64))


def search(plant: Plant, arrays: PlantArrays, demands: Demands, demand: IntArray, node: IntArray, slopes_g_J: Array, grid: Grid,
           capacity: int) -> Frontiers:
    """Frontiers of (R,) demands and nodes, searched on all threads; arrays : the plant's, or a variant of them."""
    out = _empty_frontiers(demand.size, capacity, plant)
    share_out(build_frontiers, demand.size, arrays, demands, np.ascontiguousarray(demand), np.ascontiguousarray(node), slopes_g_J,
              plant.nominal_x, grid, out, scratch=lambda: make_scratch(arrays, grid, slopes_g_J.shape[1]))
    return out


def unpadded(out: Frontiers) -> Rows:
    """The points of padded frontiers."""
    used = np.arange(out.fuel.shape[1])[None, :] < out.count[:, None]
    return Rows(out.count, out.fuel[used], out.power[used], out.choice[used])
