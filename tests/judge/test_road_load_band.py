"""What a little more road load costs the plain car, held against the marginal fuel of engines that a decision of the Union gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ems.judge.bars import litres_per_100km
from ems.layout.load import load_layout
from ems.layout.without import digested
from ems.solve.optimum import optimum

MARGINAL_L_PER_KWH = 0.264, 0.280   # petrol, turbocharged petrol: Commission Implementing Decision (EU) 2020/728, Tables 2-3 (read)
BAND = 0.1                          # ours, to either side: maps differ, and more load shortens the fuel cut
MORE_N = 40.0
ON_THE_WAY = 0.97 * 0.98            # efficiencies of the two gear pairs between engine and wheels, as the layout has them


def test_road_load_costs_the_marginal_fuel_of_the_decision(pieces, town, outside_check):
    """A constant resistance of 40 N more on a hundred seconds of WLTC extra high: fuel over the work more at the crankshaft.

    On the whole cycle with default tables it comes to 0.283 l/kWh.
    """
    layout, cycle = load_layout("plain-car"), pieces.cycle("wltc-3b", 1500, 1600)
    heavier = digested(replace(layout, vehicle=replace(layout.vehicle, f0_N=layout.vehicle.f0_N + MORE_N)))
    less, more = (optimum(made, cycle, grid=town.grid) for made in (layout, heavier))
    litres = (litres_per_100km(more) - litres_per_100km(less)) * (less.distance_km / 100.0)
    pull_N = [np.maximum(found.trace.demand.force_N, 0.0) for found in (more, less)]
    demand = less.trace.demand
    work_kWh = float(np.sum((pull_N[0] - pull_N[1]) * demand.speed_m_s * demand.dt_s)) / ON_THE_WAY / 3.6e6
    assert 0.8 * MORE_N * demand.distance_m < 3.6e6 * work_kWh * ON_THE_WAY <= MORE_N * demand.distance_m
    low, high = (1.0 - BAND) * MARGINAL_L_PER_KWH[0], (1.0 + BAND) * MARGINAL_L_PER_KWH[1]
    assert low < litres.low / work_kWh and litres.high / work_kWh < high
    middle = 0.5 * (low + high)
    outside_check(litres.value / work_kWh, source="Commission Implementing Decision (EU) 2020/728, Tables 2 and 3", value=round(middle, 4),
                  unit="l/kWh", tolerance=high - middle, quantity="marginal fuel of 40 N more road load, plain car: the middle of a band")
    assert litres.half < 0.1 * litres.value
