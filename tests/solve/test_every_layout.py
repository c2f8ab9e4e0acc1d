"""Every shipped layout and variant on a short cut: audit, bound, limits and derived configurations; the plain car from a launch.

Source: by definition (a bound is below what it bounds, a derived configuration is the only kind there is); the first law.
"""

from __future__ import annotations

import numpy as np
import pytest

from ems import library
from ems.kernels.plant import make_bench
from ems.kernels.replay import Played, play
from ems.layout.load import load_layout
from ems.solve.optimum import optimum

CUT = ("udds", 160, 200)                # from a standstill to 70 km/h
LAUNCH = ("wltc-3b", 11, 41)            # begins at a standstill


def limit_codes(found) -> np.ndarray:
    """(K,) limit broken by each choice of a trip, played again in the plant; 0: none."""
    plant, tables, trace = found.problem.plant, found.tables, found.trace
    K, S, M, G = trace.node.size, plant.arrays.source_wheel.shape[1], plant.arrays.machine_max.size, plant.arrays.mesh_loss.size
    played = Played(np.zeros((K, S)), np.zeros((K, S)), np.zeros((K, M)), np.zeros((K, G)), *(np.zeros(K) for _ in range(6)),
                    np.zeros(K, np.int64))
    play(plant.arrays, tables.demands, tables.demand_of, trace.node, np.ascontiguousarray(trace.choice), played,
         make_bench(plant.arrays))
    return np.asarray(played.code)


@pytest.mark.parametrize("name", library.names("layout"))
def test_a_short_cut(pieces, name):
    found = optimum(load_layout(name), pieces.cycle(*CUT), grid=pieces.small_grid, lanes=2)
    assert abs(found.energy_residual_percent) < 1e-4
    assert 0 <= found.lower_bound_g <= found.objective_g
    assert (limit_codes(found) == 0).all()
    derived = {c.id for c in found.problem.plant.derivation.configurations}
    used = set(found.trace.columns["configuration"])
    assert used <= derived
    assert sum(found.time_share.values()) == pytest.approx(1.0)
    assert 0.0 <= found.recovered_percent <= 100.0 + 1e-9
    low, high = found.problem.window_J
    energy = np.asarray(found.trace.columns["battery_energy_end_kJ"]) * 1e3
    assert low - 1 <= energy.min() and energy.max() <= high + 1


def test_the_plain_car_launches(pieces):
    """From standstill it slips, then closes; while it slips the engine turns faster than its side of the clutch."""
    found = optimum(load_layout("plain-car"), pieces.cycle(*LAUNCH), grid=pieces.small_grid, lanes=2)
    c = found.trace.columns
    assert (limit_codes(found) == 0).all()
    slipping = np.flatnonzero(np.asarray(c["K1"]) == 0.5)
    assert slipping.size and (np.asarray(c["K1"]) == 1.0).any()
    ratio = {"first": 14.04, "second": 8.58}
    for k in slipping:
        side_rpm = ratio[c["S1"][k]] * c["speed_kmh"][k] / 3.6 / 0.33 * 30 / np.pi
        assert c["engine_speed_rpm"][k] >= side_rpm * (1 - 1e-9)
    assert found.losses_kJ["clutches"] > 0.0
    assert (np.asarray(c["alternator_torque_Nm"]) <= 1e-9).all()
