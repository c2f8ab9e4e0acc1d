"""What can be taken of a braking torque: the tables against a scan of its shares, on all layouts (derived: what is possible is possible).

An engine turned without fuel takes a share of its own. Where no machine can drive it, the friction brakes cannot do all: the shares
that are possible lie between a least and a most, and the tables once had no point there (``plain-car``: 2.5 % too much on WLTC).
"""

from __future__ import annotations

import numpy as np
import pytest

import ems
from ems import library
from ems.kernels.box import best_division
from ems.kernels.frontier import Demands
from ems.kernels.plant import OK, free_range, make_bench, make_cut
from ems.plant.plant import build_plant
from ems.tables.build import DEFAULT_GRID, build_tables
from ems.trips.demand import demand

SHARES = np.linspace(1.0, 0.0, 81)
EVERY = 23                      # of the braking demands


@pytest.mark.parametrize("layout", library.names("layout"))
def test_tables_brake_wherever_a_scan_can(layout):
    plant = build_plant(ems.load_layout(layout), lanes=1)
    a, bench = plant.arrays, make_bench(plant.arrays)
    tables = build_tables(plant, demand(ems.load_cycle("udds"), plant.layout.vehicle), DEFAULT_GRID)
    demands: Demands = tables.demands
    seen = 0
    for u in np.flatnonzero(demands.wheel_torque < 0.0)[::EVERY]:
        for t in np.flatnonzero(a.wheel_free):
            if a.has_free[t]:
                continue                            # free speeds are looked at on a grid of their own
            f, _ = free_range(a, t, demands.wheel_speed[u])
            cut = make_cut(a, bench, t, demands.wheel_speed[u], f, demands.wheel_acceleration[u], demands.auxiliary[u],
                           demands.axle_least[u])
            if cut.code != OK:
                continue
            P = [best_division(cut, share * demands.wheel_torque[u], 0.0, 5, 5, False) for share in SHARES]
            possible = np.isfinite(P)
            if possible.any():
                seen += 1
                assert tables.count[u, t] > 0, (layout, plant.configuration(t).id, u, SHARES[possible])
    assert seen > 5
