"""First tables kept in a process for the next case that needs the same ones.

The key is a digest of exactly what the kernel is given, so nothing has to be known of what tables depend on: charge and prices
do not enter it, and forbidden configurations only leave tables out. Shared or built anew, the bits are the same.
"""

from __future__ import annotations

import dataclasses
import hashlib
from collections import OrderedDict
from collections.abc import Iterator
from typing import Any

import numpy as np

from ems.kernels.frontier import Grid
from ems.plant.plant import Plant, build_plant
from ems.tables.build import Tables, build_tables, conceivable, distinct_demands, twins
from ems.trips.demand import Demand
from ems.types import Array, IntArray

KEPT = 2    # sets of tables kept in a process, some 10 MB each on a cycle of half an hour

_kept: OrderedDict[str, Tables] = OrderedDict()


def shared_tables(plant: Plant, demand: Demand, grid: Grid, slopes_g_J: Array | None = None) -> Tables:
    """As ``build_tables``, from those of an earlier call in this process where they would be the same."""
    if plant.layout.forbid:
        lanes = max(node.lane for node in plant.nodes) + 1
        whole = build_plant(dataclasses.replace(plant.layout, forbid=()), lanes=lanes)
        nodes = _nodes_in(plant, whole)
        if nodes is not None:
            return _selected(_of_whole(whole, demand, grid, slopes_g_J), nodes, plant, demand)
    return dataclasses.replace(_of_whole(plant, demand, grid, slopes_g_J), plant=plant, demand=demand)


def _of_whole(plant: Plant, demand: Demand, grid: Grid, slopes_g_J: Array | None) -> Tables:
    key = _digest(plant, demand, grid, slopes_g_J)
    if key not in _kept:
        _kept[key] = build_tables(plant, demand, grid, slopes_g_J)
        while len(_kept) > KEPT:
            _kept.popitem(last=False)
    _kept.move_to_end(key)
    return _kept[key]


def _digest(plant: Plant, demand: Demand, grid: Grid, slopes_g_J: Array | None) -> str:
    """sha256 of every bit the tables are made from: what ``build_tables`` hands to the kernel, and how it joins what comes back."""
    demands, demand_of = distinct_demands(plant, demand)
    given = (plant.arrays, plant.ceiling, plant.nominal_x, demands, demand_of, conceivable(plant, demands), twins(plant), grid,
             plant.heating_value_J_g if slopes_g_J is None else slopes_g_J)
    total = hashlib.sha256()
    for piece in _pieces(given):
        total.update(piece + b"\0")
    return total.hexdigest()


def _pieces(value: Any) -> Iterator[bytes]:
    if isinstance(value, np.ndarray):
        yield f"{value.dtype} {value.shape}".encode()
        yield np.ascontiguousarray(value).tobytes()
    elif isinstance(value, tuple | list):
        yield f"list {len(value)}".encode()
        for inner in value:
            yield from _pieces(inner)
    else:
        yield repr(value).encode()      # the shortest text that reads back as the same number


def _nodes_in(plant: Plant, whole: Plant) -> IntArray | None:
    """(N,) where each node of a plant stands among all of the unforbidden one; None when its tables would not be the same bits.

    That is so when the twin whose tables an idling node takes over is forbidden, or when a forbidden node made the choices wider.
    """
    place = {(whole.configuration(n).id, node.lane): n for n, node in enumerate(whole.nodes)}
    nodes = np.array([place.get((plant.configuration(n).id, node.lane), -1) for n, node in enumerate(plant.nodes)])
    same_width = plant.arrays.inner_source.shape[1] == whole.arrays.inner_source.shape[1]
    if (nodes < 0).any() or not same_width or not np.array_equal(twins(whole)[nodes], nodes[twins(plant)]):
        return None
    return nodes


def _selected(tables: Tables, nodes: IntArray, plant: Plant, demand: Demand) -> Tables:
    """The tables of some nodes of another plant, in the order of this one."""
    count = tables.count[:, nodes]
    start = np.cumsum(count).reshape(count.shape) - count
    points = np.repeat((tables.first[:, nodes] - start).reshape(-1), count.reshape(-1)) + np.arange(int(count.sum()))
    return dataclasses.replace(tables, plant=plant, demand=demand, first=start, count=count, fuel_g_s=tables.fuel_g_s[points],
                               power_W=tables.power_W[points], choice=tables.choice[points])
