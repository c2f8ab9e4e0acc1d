"""Forward sweep over a trip that spares fuel first and battery energy second: electric driving, the engine where it must help."""

from __future__ import annotations

from typing import Any

import numpy as np

from ems.kernels.battery import BatteryArrays, electrochemical, power_limits, state
from ems.kernels.changes import HUGE, Changes, stored_by
from ems.kernels.jit import compiled_making
from ems.kernels.sweep import Points


@compiled_making
def spare_fuel(points: Points, b: BatteryArrays, changes: Changes, price: float, start: float, came_from: Any, point: Any,
               energy: Any) -> int:
    """Keeps for every state the trip with most ``energy - price * fuel`` that leads to it, inside the window.

    More charge in the same state never hurts but for the weak effect of charge on the battery's resistance, so one trip a state is
    enough to spare battery energy where no fuel is burnt.

    price : battery energy that a gram of fuel counts for [J/g]; above anything it can bring      start : stored energy [J]
    came_from, point : (K, S) out, state before (S from rest) and point; -1 where no trip leads
    energy : (K + 1, S + 1) out, stored energy [J]; NaN where no trip leads
    Returns -1, or the interval that no trip gets through.
    """
    K, S = came_from.shape
    merit, after = np.full(S + 1, -HUGE * 1e6), np.empty(S + 1)
    nothing = -HUGE * 1e5
    energy[:] = np.nan
    came_from[:], point[:] = -1, -1
    merit[S], energy[0, S] = start, start
    for k in range(K):
        after[:] = -HUGE * 1e6
        for c in range(S):
            n = changes.node[c]
            if points.count[k, n] == 0:
                continue
            for a in range(S + 1):
                if merit[a] < nothing:
                    continue
                stored = stored_by(changes, k, a, c)
                if stored >= HUGE:
                    continue
                e = energy[k, a] - stored
                reached = merit[a] - stored - price * changes.fixed[changes.node[a], n]
                if e < b.low_J - 1e-6 or e > b.high_J + 1e-6:
                    continue
                soc, v, rd, rc = state(b, e)
                least, most = power_limits(b, soc, v, rd, rc)
                out_x, in_x = rd / (v * v), rc / (v * v)
                for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                    P = points.power[j]
                    if P > most or P < least:
                        continue
                    used = electrochemical(P, out_x if P > 0.0 else in_x) * points.dt[k]
                    if e - used < b.low_J or e - used > b.high_J:
                        continue
                    total = reached - used - price * points.fuel[j] * points.burn[k]
                    if total > after[c]:
                        after[c], came_from[k, c], point[k, c], energy[k + 1, c] = total, a, j, e - used
        if after.max() < nothing:
            return k
        merit[:] = after
    return -1
