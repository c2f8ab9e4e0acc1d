"""Sensitivities against exact ones: fuel is proportional to the engine map, auxiliaries cost the costate, freedom to agree."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from ems.errors import InputError
from ems.judge.comfort import Setting, comfort, tables_under
from ems.judge.levers import levers
from ems.judge.sensitivity import envelope_per_percent, sensitivity
from ems.kernels.battery import state
from ems.layout.load import load_layout
from ems.layout.without import digested
from ems.output import dumps
from ems.plant.plant import Ceiling
from ems.present.comfort_text import comfort_text
from ems.present.sensitivity_text import sensitivity_text
from ems.solve.optimum import optimum


@pytest.fixture(scope="module")
def result(town):
    return sensitivity(load_layout("series"), town.cycle,          # tables of usual fineness: small ones blur a step of 5 % by a tenth
                       quantities=["engine map", "vehicle.auxiliary_W", "vehicle.mass_kg", "battery.capacity_Ah"])


def rows(result):
    return {row.quantity: row for row in result.rows}


def test_fuel_is_proportional_to_the_engine_map(result):
    """Every fuel rate times k: the same trip is best and needs k times the fuel, an elasticity of exactly one (derived).

    Not to the last digit: tables are sought at slopes that do not follow k, so that other points are found. The trips then differ within
    their gap of 0.8 %, by 0.03 % here, which a step of 5 % makes 0.3 % of the elasticity; the certificates, whose costate follows, by
    0.002 %. Where the slopes follow, it is exact (next test).
    """
    row = rows(result)["engine map, fuel"]
    assert row.elasticity.low <= 1.0 <= row.elasticity.high and row.elasticity.half < 0.2
    assert row.elasticity.value == pytest.approx(1.0, abs=5e-3)
    per_gram = result.fuel.value / result.base.objective_g
    certificate = result.base.bound.bound_g * per_gram          # it is proportional too
    assert 100.0 * row.envelope_per_percent == pytest.approx(certificate, rel=2e-3) and row.agrees


def test_a_map_of_other_grams_at_the_same_heat_needs_just_as_much_more(town):
    """With the fuel's heat per gram divided by k those slopes follow, and only the unit of mass changes: exactly k times (derived)."""
    base = town.optimum("series")
    lever = next(lever for lever in levers(base.layout) if lever.name == "engine map, fuel")
    for k in (0.8, 0.95, 1.2):
        turned = lever.turned(base.layout, k)
        fuel = replace(turned.engine.engine.fuel, heating_value_J_g=turned.engine.engine.fuel.heating_value_J_g / k)
        turned = digested(replace(turned, engine=replace(turned.engine, engine=replace(turned.engine.engine, fuel=fuel))))
        found = optimum(turned, town.cycle, grid=town.grid)
        assert found.objective_g == pytest.approx(k * base.objective_g, rel=1e-9)
        assert found.lower_bound_g == pytest.approx(k * base.lower_bound_g, rel=1e-9)


def test_auxiliaries_cost_what_the_costate_says(town):
    """d fuel / d P_aux = sum of lambda_k dp/dP dt with dp/dP = 1 / sqrt(1 - 4 P x) of the battery along the trip (by hand)."""
    found = town.optimum("series")
    battery, trip = found.problem.plant.battery, found.trace
    energy = np.asarray(trip.columns["battery_energy_start_kJ"], float) * 1e3
    terminal_W = np.asarray(trip.columns["battery_power_kW"], float) * 1e3
    total = 0.0
    for k, (e, P) in enumerate(zip(energy, terminal_W, strict=True)):
        _, v, rd, rc = state(battery, float(e))
        x = (rd if P > 0.0 else rc) / v**2
        total += found.bound.costate_g_J[k + 1] * trip.demand.dt_s[k] / np.sqrt(1.0 - 4.0 * P * x)
    per_percent = total * 0.01 * found.layout.vehicle.auxiliary_W * 100.0 / found.layout.engine.engine.fuel.density_g_l / found.distance_km
    lever = next(lever for lever in levers(found.layout) if lever.name == "vehicle.auxiliary_W")
    assert envelope_per_percent(found, lever) == pytest.approx(per_percent, rel=0.05)


def test_solving_again_agrees_with_the_costate(result):
    for name in ("vehicle.auxiliary_W", "vehicle.mass_kg"):
        row = rows(result)[name]
        assert row.per_percent.value > 0.0 and row.agrees
    assert [row.size for row in result.rows] == sorted((row.size for row in result.rows), reverse=True)


def test_json_and_text_and_unknown_names(result, town):
    out = json.loads(dumps(result.to_dict()))
    assert {q["quantity"] for q in out["quantities"]} == {row.quantity for row in result.rows}
    assert sensitivity_text(result) and len(result.to_frame()) == 4
    with pytest.raises(InputError, match=r"vehicle\.mass_kg"):
        sensitivity(load_layout("series"), town.cycle, quantities=["vehicle.mas_kg"])


def test_every_lever_turns_its_own_quantity():
    layout = load_layout("three-clutch")
    every = list(levers(layout))
    digests = {lever.turned(layout, 1.1).digest for lever in every}
    assert len(digests) == len(every) and layout.digest not in digests
    assert all(lever.turned(layout, 1.0).digest == layout.digest for lever in every)


def test_comfort_has_its_price(town):
    """Dearer changes: fewer of them and more fuel (the trip without prices is feasible with prices, and the reverse)."""
    made = comfort(load_layout("three-clutch"), town.cycle, grid=town.grid,
                   asked=[Setting("dear", shift_price_g=0.5), Setting("as it is")])
    free, dear, same = made.points
    assert dear.changes < free.changes and dear.fuel.value >= free.fuel.value - 1e-3
    assert dear.fuel.low <= dear.fuel.value and same.fuel.value == pytest.approx(free.fuel.value, rel=1e-4)    # of changes, there are ties
    for event in made.events:
        assert event["hole_N"] >= 0.0 and event["impulse_Ns"] == pytest.approx(event["hole_N"] * event["lasts_s"])
        assert event["wanted_N"] <= 0.0 or event["held_N"] + event["hole_N"] == pytest.approx(event["wanted_N"])
    assert len(made.events) == free.changes and comfort_text(made)
    json.loads(dumps(made.to_dict()))


def test_ceiling_of_engine_speed_holds_at_low_speeds_only(town):
    """Every point of the tables below 40 km/h keeps to the ceiling, refined ones too; above, nothing is taken away.

    Speeds are those of the derivation's rows, multiplied out here.
    """
    layout, most = load_layout("input-split"), 1800.0 * np.pi / 30.0
    free = optimum(layout, town.cycle, grid=town.grid)
    found = optimum(layout, town.cycle, grid=town.grid, first_tables=tables_under(Ceiling(most, 40.0 / 3.6)))
    fastest = {}
    for name, tables in (("free", free.tables), ("under", found.tables)):
        speed = tables.demands.wheel_speed
        slow = 3.6 * speed * layout.vehicle.wheel_radius_m < 40.0
        arrays, top = tables.plant.arrays, {True: 0.0, False: 0.0}
        for u, n in zip(*np.nonzero(tables.count), strict=True):
            if arrays.engine_mode[n] != 0:
                at = slice(tables.first[u, n], tables.first[u, n] + tables.count[u, n])
                turning = arrays.source_wheel[n, 0] * speed[u] + arrays.source_free[n, 0] * tables.choice[at, 0]
                top[bool(slow[u])] = max(top[bool(slow[u])], float(turning.max()))
        fastest[name] = top
    assert fastest["under"][True] <= most * (1.0 + 1e-9) < fastest["free"][True]
    assert fastest["under"][False] == pytest.approx(fastest["free"][False], rel=1e-9) and fastest["free"][False] > most
    assert found.objective_g >= free.lower_bound_g * (1.0 - free.table_error_percent / 100.0)     # other tables, searched under the ceiling
    driven = found.trace.columns
    town_rows = (np.asarray(driven["speed_kmh"]) < 40.0) & (np.asarray(driven["engine_speed_rpm"]) > 1.0)
    assert np.all(np.asarray(driven["engine_speed_rpm"])[town_rows] <= 1800.0 * (1.0 + 1e-9))


def test_a_ramp_keeps_the_free_speed_from_jumping(town):
    """From second to second a free engine speed moves no further than the ramp and the two lanes it may be in (by hand)."""
    layout, ramp = load_layout("series"), 150.0
    made = comfort(layout, town.cycle, grid=town.grid, lanes=12, asked=[Setting("slow", ramp_rpm_s=ramp)])
    assert made.points[1].fuel.value >= made.points[0].fuel.low
    engine = layout.engine.engine
    slow = optimum(replace(layout, engine=replace(layout.engine, engine=replace(engine, speed_ramp_rad_s2=ramp * np.pi / 30.0))),
                   town.cycle, grid=town.grid, lanes=12)
    rpm, lane = np.asarray(slow.trace.columns["engine_speed_rpm"]), (engine.max_rad_s - engine.idle_rad_s) / 12 * 30.0 / np.pi
    on = np.array([str(c).startswith("on:") for c in slow.trace.columns["configuration"]])
    both = on[1:] & on[:-1]
    assert np.all(np.abs(np.diff(rpm))[both] <= ramp + 2.0 * lane + 1e-6)
    assert made.points[1].fuel.value == pytest.approx(slow.fuel_l_per_100km, rel=1e-12)
