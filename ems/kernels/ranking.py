"""What every node would have cost in every interval of a trip that has been driven."""

from __future__ import annotations

import math
from typing import Any

from ems.kernels.battery import BatteryArrays
from ems.kernels.changes import Changes
from ems.kernels.jit import compiled_shared
from ems.kernels.sweep import Points, internal_power


@compiled_shared
def stage_costs(begin: int, end: int, points: Points, b: BatteryArrays, changes: Changes, slope: Any, before: Any, energy: Any,
                fuel: Any, used: Any) -> None:
    """Fuel and battery energy of the best point of every node, from where the trip is.

    slope : (K + 1,) costate at the ends of the intervals [g/J]    before : (K,) node driven before, N from rest
    energy : (K,) absolute stored energy at the start [J]          fuel, used : (K, N) [g], [J]; inf where not possible
    """
    for k in range(begin, end):
        for n in range(points.first.shape[1]):
            best = math.inf
            fuel[k, n], used[k, n] = math.inf, math.inf
            if not changes.live[k, before[k], n]:
                continue
            start = energy[k] - changes.stored[k, before[k], n]
            for j in range(points.first[k, n], points.first[k, n] + points.count[k, n]):
                drawn = internal_power(b, start, points.power[j]) * points.dt[k]
                burnt = points.fuel[j] * points.burn[k]
                if burnt + slope[k + 1] * drawn < best:
                    best = burnt + slope[k + 1] * drawn
                    fuel[k, n], used[k, n] = burnt, drawn
