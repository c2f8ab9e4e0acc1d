"""The certificate computed anew from tables.npz with nothing but numpy (``alone.py``): affine values a_k(node) - slope_k energy.

What is read is the file and the slopes that are claimed. Source: weak duality, see ``alone.py``.
"""

from __future__ import annotations

import numpy as np
import pytest

from ems import library
from tests.solve.alone import Battery, affine_bound_g, electrochemical, stage_costs

PIECES = [("series", 150, {}), ("three-clutch", 90, {}), ("three-clutch", 60, {"dwell_s": 4.0}), ("series", 100, {"cold": True})]
CELLS, FEWER_CELLS = 1500, 300


def dumped(found, path):
    """What ``tables.npz`` of an optimum holds, and the slopes that are claimed."""
    from ems.solve.dump import dump_tables

    dump_tables(found, path)
    with np.load(path, allow_pickle=False) as file:
        held = {name: file[name] for name in file.files}
    return held, held["costate_g_J"]


@pytest.fixture(scope="module", params=PIECES, ids=["-".join([p[0], *p[2]]) for p in PIECES])
def claimed(request, pieces, tmp_path_factory):
    layout, seconds, options = request.param
    return dumped(solved(pieces, layout, seconds, **options), tmp_path_factory.mktemp("tables") / "tables.npz")


def solved(pieces, layout, seconds, *, dwell_s=0.0, cold=False):
    from ems import load_layout, optimum
    from ems.plant.counters import Waits

    return optimum(load_layout(layout), pieces.cycle("udds", 0, seconds), grid=pieces.small_grid, waits=Waits(dwell_s), cold=cold)


def test_lower_bound_of_the_file_alone(claimed):
    """Recomputed with plain numpy over 1,500 cells of the window, resistance and voltage bounded over each cell: at most the
    objective; the claim is no higher than the least on the edges allows and no lower than this bound but for the width of a cell."""
    file, slope = claimed
    assert (slope >= 0).all()
    bounded, sampled = stage_costs(file, slope, CELLS)
    rigorous, optimistic = affine_bound_g(file, slope, bounded), affine_bound_g(file, slope, sampled)
    objective, claim = float(file["objective_g"]), float(file["affine_bound_g"])
    assert claim <= float(file["lower_bound_g"]) <= objective
    assert rigorous <= optimistic
    assert rigorous <= objective
    assert claim <= optimistic * (1 + 1e-9)
    assert claim == pytest.approx(optimistic, rel=2e-5)
    assert rigorous == pytest.approx(claim, rel=1e-4)


def test_any_slopes_prove_something_but_none_more_than_the_objective(claimed):
    """Weak duality holds for every slope that is not negative, not only for the best."""
    file, slope = claimed
    best = float(file["affine_bound_g"])
    for factor in (0.0, 0.9, 0.99, 1.01, 1.1):
        bounded, _ = stage_costs(file, factor * slope, CELLS)
        assert affine_bound_g(file, factor * slope, bounded) <= best + 1e-4 * abs(best)


def test_the_trip_in_the_file_obeys_its_own_rules(claimed):
    """Fuel of the changes plus fuel of points that explain every step of stored energy add up to the objective."""
    obeys_its_own_rules(claimed[0])


def obeys_its_own_rules(file):
    K, node, energy = file["dt_s"].size, file["optimum_node"], file["optimum_energy_J"]
    before = np.concatenate([[file["first"].shape[1]], node[:-1]])
    total = file["fixed_g"][before, node].sum()
    battery, low_high = Battery(file), file["window_J"]
    assert low_high[0] - 1 <= energy.min() and energy.max() <= low_high[1] + 1
    for k in range(K):
        u, n = file["demand_of"][k], node[k]
        chosen = slice(file["first"][u, n], file["first"][u, n] + file["count"][u, n])
        start = energy[k] - file["stored_J"][k, before[k], n]
        power = file["power_W"][chosen]
        step = file["dt_s"][k] * electrochemical(power, np.where(power > 0, *battery.losses(start)))
        fits = np.abs(start - step - energy[k + 1]) < 0.05
        assert fits.any(), f"no point explains second {k}"
        total += file["fuel_g_s"][chosen][fits].min() * file["burn_s"][k]
    assert total == pytest.approx(float(file["objective_g"]), rel=1e-9)


def net_energy_floor_g(found):
    """Net energy at the wheels over the engine's best efficiency, from its map's points at or below full load (first law)."""
    engine, c = found.layout.engine.engine, found.trace.columns
    full = np.interp(engine.speed_rad_s, engine.limit_speed_rad_s, engine.full_load_Nm)
    allowed = (engine.torque_Nm <= full[:, None] * (1 + 1e-9)) & (engine.torque_Nm > 0)
    most_J_g = (engine.speed_rad_s[:, None] * engine.torque_Nm / engine.fuel_g_s)[allowed].max()
    return float(np.sum(np.asarray(c["wheel_power_kW"]) * found.trace.demand.dt_s)) * 1e3 / most_J_g


@pytest.mark.long
@pytest.mark.parametrize("cycle", library.names("cycle"))
@pytest.mark.parametrize("layout", library.names("layout"))
def test_whole_trips_of_everything_shipped(layout, cycle, tmp_path):
    """Every shipped layout on every shipped cycle that it can follow: the same checks, 300 cells; and the floor of net energy."""
    from ems import CycleNotFollowed, load_cycle, load_layout, optimum

    try:
        found = optimum(load_layout(layout), load_cycle(cycle))
    except CycleNotFollowed as error:
        pytest.skip(str(error))
    assert found.fuel_g >= net_energy_floor_g(found) > 0
    file, slope = dumped(found, tmp_path / "tables.npz")
    bounded, sampled = stage_costs(file, slope, FEWER_CELLS)
    rigorous, optimistic = affine_bound_g(file, slope, bounded), affine_bound_g(file, slope, sampled)
    objective, claim = float(file["objective_g"]), float(file["affine_bound_g"])
    print(f"{layout} {cycle}: {objective:.3f} g, claimed {claim:.3f}, alone {rigorous:.3f} to {optimistic:.3f}")
    assert claim <= float(file["lower_bound_g"]) <= objective
    assert rigorous <= claim * (1 + 1e-6) <= optimistic * (1 + 2e-6)
    assert optimistic - rigorous <= 1e-3 * objective
    obeys_its_own_rules(file)
