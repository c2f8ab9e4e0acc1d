"""Energy adds up on every trip, a planted error is found, and the trace obeys its own balances."""

from __future__ import annotations

import numpy as np
import pytest

from ems.plant.trace import residual_percent, trace
from ems.solve.problem import fixed_costs

LAYOUTS = ("series", "input-split", "three-clutch")
MORE_LAYOUTS = ("two-mode", "parallel-six", "three-clutch-rear", "plain-car", "series-parallel")
CLOSED = 1e-4               # percent of fuel energy: 1e-6


def at_random(problem):
    """A trip at random: configurations change every few seconds, so that every kind of loss occurs."""
    tables, plant, random = problem.tables, problem.plant, np.random.default_rng(7)
    K, N = problem.alive.shape
    node, point, energy, a, e = np.empty(K, int), np.empty(K, int), np.empty(K + 1), N, problem.start_J
    from ems.kernels.sweep import internal_power
    for k in range(K):
        possible = np.flatnonzero(tables.count[tables.demand_of[k]])
        stay = a in possible and random.random() < 0.7
        node[k] = a if stay else random.choice(possible)
        first, count = problem.points.first[k, node[k]], problem.points.count[k, node[k]]
        point[k] = first + random.integers(count)
        energy[k] = e
        e -= problem.changes.stored[k, a, node[k]]
        e -= internal_power(plant.battery, e, problem.points.power[point[k]]) * problem.points.dt[k]
        a = node[k]
    energy[K] = e
    fuel, price = fixed_costs(plant)
    return trace(plant, tables.demand, tables.demands, tables.demand_of, node, tables.choice[point], energy, fuel, price)


@pytest.fixture(scope="module", params=LAYOUTS)
def trip(request, pieces):
    return at_random(pieces.problem(request.param, "udds", 160, 340))


@pytest.mark.parametrize("name", MORE_LAYOUTS)
def test_other_layouts_balance_too(pieces, name):
    """The last seconds before a stop, at random: the audit closes, every row balances, what turns gives back what it took."""
    driven = at_random(pieces.problem(name, "udds", 318, 334))
    assert abs(driven.energy_residual_percent) < CLOSED
    wheel = driven.demand.boundary_speed_m_s / driven.plant.layout.vehicle.wheel_radius_m
    begun = 0.5 * sum(own * w**2 for own, w in turned_by_wheels(driven.plant, driven.node[0], wheel[0]))
    inertia = float(np.sum(driven.demand.inertia_N * driven.demand.speed_m_s * driven.demand.dt_s))
    ended = rotating_J(driven.plant, driven.node[-1], wheel[-1])
    assert 1e3 * driven.stores_kJ["kinetic"] == pytest.approx(inertia + ended - begun, rel=1e-6, abs=1.0)


def turned_by_wheels(plant, n, wheel_rad_s):
    """(inertia, speed) of what turns with the wheels before a trip begins: no engine, no free speed."""
    c, layout = plant.configuration(n), plant.layout
    yield plant.maps[plant.nodes[n].configuration].own_kinetic[0], wheel_rad_s
    for use, (w, _) in zip(layout.machines, c.speed_map[1:], strict=True):
        yield use.machine.inertia_kgm2, float(w) * wheel_rad_s


def test_the_audit_closes(trip):
    """First law, each loss from its own component: nothing is left over to 1e-6 of fuel energy, on a trip nobody optimised."""
    assert abs(trip.energy_residual_percent) < CLOSED


def test_every_loss_occurs(trip):
    """A check of the next check: no loss is zero, but that of clutches where the layout has none."""
    idle = {name for name, value in trip.losses_kJ.items() if abs(value) < 1e-3}
    assert idle == (set() if trip.plant.layout.clutches else {"clutches"})


def test_one_percent_in_any_loss_is_found(trip):
    """Every loss and every store in turn 1 % wrong: the audit no longer closes."""
    for name, value in trip.losses_kJ.items():
        if value != 0.0:
            wrong = residual_percent(trip.losses_kJ | {name: 1.01 * value}, trip.stores_kJ)
            assert abs(wrong) > CLOSED, name
    for name, value in trip.stores_kJ.items():
        assert value != 0.0 or name == "climb"
        if value != 0.0:
            assert abs(residual_percent(trip.losses_kJ, trip.stores_kJ | {name: 1.01 * value})) > CLOSED, name


def test_columns_add_up_to_the_sums(trip):
    """Each loss on the trip is the sum of its column."""
    dt = trip.demand.dt_s
    for name, value in trip.losses_kJ.items():
        column = "auxiliary_kW" if name == "auxiliaries" else f"loss_{name}_kW"
        assert np.sum(trip.columns[column] * dt) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_powers_balance_in_every_row(trip):
    """By substitution of the columns: battery terminals feed machines and auxiliaries; sources less meshes less rotating energy
    reach the wheels; the wheels' power is the road's plus the friction brakes', which never push; the battery's own balance."""
    c, layout = {k: np.asarray(v) for k, v in trip.columns.items()}, trip.plant.layout
    machines = [m.name for m in layout.machines]
    electrical = sum(c[f"{m}_electrical_kW"] for m in machines)
    standing = c["auxiliary_kW"] + c.get("loss_hold_kW", 0.0) + c["free_speed_kW"]
    assert c["battery_power_kW"] == pytest.approx(electrical + standing, abs=1e-6)
    shafts = c["engine_power_kW"] + sum(c[f"{m}_power_kW"] for m in machines)
    wheels = c["wheel_torque_Nm"] * c["speed_kmh"] / 3.6 / layout.vehicle.wheel_radius_m / 1e3
    road_kinetic = trip.demand.inertia_N * trip.demand.speed_m_s / 1e3
    rotating = c["kinetic_power_kW"] - road_kinetic - kinetic_of_changes_kW(trip)
    passed_on = shafts - c["loss_meshes_kW"] - c.get("loss_drag_kW", 0.0) - rotating + c["free_speed_kW"]
    assert passed_on == pytest.approx(wheels, abs=1e-6)
    assert wheels - c["brake_power_kW"] == pytest.approx(c["wheel_power_kW"], abs=1e-6)
    assert c["brake_power_kW"].min() > -1e-6
    assert c["wheel_power_kW"] == pytest.approx(
        c["loss_air_kW"] + c["loss_tyres_kW"] + road_kinetic + trip.demand.climb_N * trip.demand.speed_m_s / 1e3, abs=1e-9)
    stored = -np.diff(np.append(c["battery_energy_start_kJ"], c["battery_energy_end_kJ"][-1]))
    assert stored == pytest.approx(c["battery_internal_kW"] * trip.demand.dt_s + c["transition_energy_kJ"], abs=1e-6)


def kinetic_of_changes_kW(trip):
    """Power that changes of configuration put into what turns, from the energy before and after the change [kW]."""
    wheel = trip.demand.boundary_speed_m_s / trip.plant.layout.vehicle.wheel_radius_m
    gain = np.zeros(trip.node.size)
    for k, n in enumerate(trip.node):
        before = rotating_J(trip.plant, n, wheel[k], at_rest=True) if k == 0 else rotating_J(trip.plant, trip.node[k - 1], wheel[k])
        gain[k] = rotating_J(trip.plant, n, wheel[k]) - before
    return gain / trip.demand.dt_s / 1e3


def rotating_J(plant, n, wheel_rad_s, at_rest=False):
    """Energy of all that turns in node n, a free engine speed at the reference of its lane (at rest: nothing but what the wheels turn)."""
    c, layout = plant.configuration(n), plant.layout
    free = 0.0 if at_rest else plant.nodes[n].reference_rad_s
    sources = [layout.engine.engine.inertia_kgm2, *(use.machine.inertia_kgm2 for use in layout.machines)]
    speeds = [float(w) * wheel_rad_s + float(f) * free for w, f in c.speed_map]
    held = plant.maps[plant.nodes[n].configuration].own_kinetic         # of shafts that nothing can hold, none is counted
    own = held[0] * wheel_rad_s**2 + 2 * held[1] * wheel_rad_s * free + held[2] * free**2
    return 0.5 * (own + sum(J * w**2 for J, w in zip(sources, speeds, strict=True)))


def test_what_turns_gives_back_what_it_took(trip):
    """From standstill to standstill, ended without a turning engine, the motion keeps nothing: rotating energy is a store."""
    ended = rotating_J(trip.plant, trip.node[-1], 0.0)
    assert trip.stores_kJ["kinetic"] == pytest.approx(ended / 1e3, abs=1e-6)


def test_engine_and_machine_losses_by_their_maps(trip):
    """Each engine row: fuel of the map (bilinear, by numpy) at the row's speed and torque; each machine row: loss of its map."""
    c, layout = trip.columns, trip.plant.layout
    engine = layout.engine.engine
    w, torque = np.asarray(c["engine_speed_rpm"]) * np.pi / 30, np.asarray(c["engine_torque_Nm"])
    for k in range(0, w.size, 7):
        if w[k] > 1.0:
            along = [np.interp(torque[k], engine.torque_Nm, row) for row in engine.fuel_g_s]
            assert c["fuel_g_s"][k] == pytest.approx(np.interp(w[k], engine.speed_rad_s, along), rel=1e-9)
        for use in layout.machines:
            m, speed = use.machine, c[f"{use.name}_speed_rpm"][k] * np.pi / 30
            T = c[f"{use.name}_torque_Nm"][k] * (1 if speed >= 0 else -1)
            along = [np.interp(T, m.torque_Nm, row) for row in m.loss_W]
            loss_kW = np.interp(abs(speed), m.speed_rad_s, along) / 1e3
            assert c[f"{use.name}_electrical_kW"][k] - c[f"{use.name}_power_kW"][k] == pytest.approx(loss_kW, abs=1e-9)
