"""What the values of the dynamic programming say a joule of stored energy is worth: their slope along a trip.

Values between nodes of stored energy are stairs (a choice more or less), so the slope is that of a chord. In theory it is the costate,
and the multiplier of the battery's equation (Bryson and Ho, Applied Optimal Control, 1975, chapter 4; from memory). At a kink there is
none: once the engine has stopped for the last time, a joule more saves nothing, and a joule less asks for another start.
"""

from __future__ import annotations

import numpy as np

from ems.kernels.changes import HUGE
from ems.solve.certificate import pruned
from ems.solve.dynamic import narrow_corridor, swept
from ems.solve.optimum import Optimum
from ems.types import Array

NODES = 801
KINK = 0.05                 # by which both halves of a chord may differ in slope, relative, where the values have one
HALF, CHORD = 0.1, 0.02     # half width of the corridor that is swept and length of the chord, shares of the window


def value_slope(found: Optimum, energy_J: Array) -> Array:
    """(K,) fall of the value over stored energy [g/J] at the end of every interval of the optimum's trip.

    energy_J : (K + 1,) stored energy along it
    NaN where the chord leaves the window or the values of trips that can still be driven, at a kink, and at the end of the trip.
    """
    problem, bound, node = found.problem, found.bound, found.trace.node
    low, high = problem.window_J
    width = high - low
    narrow = pruned(problem, bound, 1.5 * (found.objective_g - bound.bound_g) + 2e-3 * max(found.objective_g, 1.0))
    corridor = narrow_corridor(narrow, energy_J - HALF * width, energy_J + HALF * width, NODES, float(bound.costate_g_J.max()))
    row, value, _ = swept(narrow, corridor)
    slope = np.full(node.size, np.nan)
    for k in range(1, node.size):
        rows = row[k][np.flatnonzero(problem.changes.node[:-1] == node[k - 1])]
        least = value[rows[rows >= 0]].min(axis=0, initial=HUGE)
        ends = energy_J[k] + np.array([-0.5, 0.0, 0.5]) * CHORD * width
        place = (ends - corridor.low[k]) / corridor.step[k]
        if place[0] < 0.0 or place[-1] > NODES - 1 or least[int(place[0])] >= HUGE:
            continue
        below, above = -np.diff(np.interp(place, np.arange(NODES), least)) / (0.5 * CHORD * width)
        if abs(below - above) <= KINK * max(below, above):
            slope[k - 1] = 0.5 * (below + above)
    return slope
