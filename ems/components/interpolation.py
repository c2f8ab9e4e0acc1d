"""Bilinear look-up on a rectangular map, as the plant does it, without extrapolation."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from ems.types import Array


def bilinear(x: Array, y: Array, table: Array, at_x: ArrayLike, at_y: ArrayLike) -> Array:
    """Values of a map between its nodes; NaN outside.

    x, y  : (n,), (m,) axes, strictly increasing
    table : (n, m) values at the nodes
    at_x, at_y : where, of any shapes that broadcast
    """
    px, py = np.broadcast_arrays(np.asarray(at_x, dtype=np.float64), np.asarray(at_y, dtype=np.float64))
    i = np.clip(np.searchsorted(x, px, side="right") - 1, 0, x.size - 2)
    j = np.clip(np.searchsorted(y, py, side="right") - 1, 0, y.size - 2)
    u = (px - x[i]) / (x[i + 1] - x[i])
    v = (py - y[j]) / (y[j + 1] - y[j])
    low = (1 - u) * table[i, j] + u * table[i + 1, j]
    high = (1 - u) * table[i, j + 1] + u * table[i + 1, j + 1]
    inside = (px >= x[0]) & (px <= x[-1]) & (py >= y[0]) & (py <= y[-1])
    values: Array = np.where(inside, (1 - v) * low + v * high, np.nan)
    return values
