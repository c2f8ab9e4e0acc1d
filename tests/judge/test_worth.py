"""What parts are worth: freedom never costs fuel, solving again is solving anew, deleted is as if never written, two are one."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from ems.configurations import derive
from ems.errors import CycleNotFollowed, InputError
from ems.judge import ratios
from ems.judge.bars import litres_per_100km
from ems.judge.capability import brief
from ems.judge.ratios import best_ratios, scaled_ratio, thinned
from ems.judge.worth import CONTROL, HARDWARE, worth
from ems.layout.load import load_layout
from ems.layout.without import without_costs, without_friction, without_gear, without_machine
from ems.output import dumps
from ems.plant.plant import build_plant
from ems.present.worth_text import worth_text
from ems.solve.again import solved_again
from ems.solve.optimum import optimum

SHIPPED = Path(load_layout("three-clutch").path).parent

TWINS = """
name = "Two like machines on one shaft"
vehicle = "hill-taxi"
battery = "hybrid-1k5"
engine = { shaft = "crank", map = "dedicated-1500", started_by = "mg1" }
machines.mg1 = { shaft = "in", map = "machine-75", rating_kW = 60 }
machines.mg2 = { shaft = "in", map = "machine-75", rating_kW = 60 }
clutches.K1 = { joins = ["crank", "in"] }
gears.drive = { from = "in", to = "diff", ratio = 5.2, efficiency = 0.98 }
axles.front = { shaft = "diff" }
"""


@pytest.fixture(scope="module")
def result(town):
    return worth(load_layout("three-clutch"), [town.cycle], grid=town.grid, kinds=["position", "gear", "configuration"])


def test_less_freedom_never_needs_less_fuel(result):
    """Restricting a minimum cannot lower it (elementary)."""
    control = [row for row in result.rows if row.what == CONTROL and row.bar is not None]
    assert len(control) > 20
    assert all(row.bar.low >= 0.0 and row.bar.value >= 0.0 for row in control)
    assert all(row.bar.high > 0.0 for row in control) and any(not row.tie for row in control)


def test_what_the_trip_does_without_is_a_tie(result, town):
    found = town.optimum("three-clutch")
    used = {found.problem.plant.configuration(n).id for n in np.unique(found.trace.node)}
    rows = {row.part: row for row in result.rows if row.kind == "configuration"}
    assert {part for part, row in rows.items() if row.used} <= used
    assert all(rows[part].tie and rows[part].bar.value == 0.0 for part in set(rows) - used)


def test_a_position_is_worth_its_gear(result, town):
    """First is reached through S1=first only, so without either the same is left to drive (by hand from the drawing); the gear's own 4 kg
    and the wheel that no longer turns along are what it earns when it is gone, some 0.1 % of the fuel of the town."""
    rows, found = {(row.kind, row.part, row.what): row for row in result.rows}, town.optimum("three-clutch")
    position, gear = rows["position", "S1=first", CONTROL], rows["gear", "first", HARDWARE]
    assert gear.bar.low <= position.bar.high
    assert position.bar.value - gear.bar.value == pytest.approx(0.001 * litres_per_100km(found).value, rel=0.7)
    assert rows["gear", "final", CONTROL].bar is None and "cannot follow" in rows["gear", "final", CONTROL].why


def test_json_and_text(result):
    out = json.loads(dumps(result.to_dict()))
    for row in out["parts"]:
        assert {"part", "what", "l_per_100km", "low", "high", "tie"} <= set(row)
        assert row["what"] in ("control", "hardware") and (row["l_per_100km"] is None) == row["needed"]
    deleted = next(row for row in out["parts"] if row["part"] == "second" and row["what"] == "hardware")
    assert deleted["time_0_100_s_without"] > out["ability"]["time_0_100_s"]
    assert worth_text(result)


def test_prices_again_are_prices_anew(town):
    found = town.optimum("three-clutch")
    again = solved_again(found, shift_price_g=0.2)
    anew = town.optimum("three-clutch", ("prices.shift_g=0.2",))
    assert again.objective_g == pytest.approx(anew.objective_g, rel=6e-3)      # small tables: each has its own error
    assert again.price_g == pytest.approx(0.2 * again.configuration_changes, abs=0.2 * 3)   # a change of the engine alone is free
    assert again.configuration_changes < found.configuration_changes and again.fuel_g >= found.lower_bound_g


def test_nothing_left_is_told():
    words = ", ".join(f'"{c.id}"' for c in derive(load_layout("series")).configurations)
    with pytest.raises(InputError, match="every configuration ruled out"):
        build_plant(load_layout("series", overrides=(f"forbid=[{words}]",)))


def test_deleted_is_as_if_never_written(tmp_path):
    """A gear deleted from the layout, and from the text of its file: the same configurations and speeds."""
    text = (SHIPPED / "three-clutch.toml").read_text(encoding="utf-8")
    assert "off:K1+S1=first" in load_layout("three-clutch").forbid      # its word goes too: there is no such position any more
    lines = [line for line in text.splitlines() if not line.startswith(("first = {", "wheel-1 = {"))]
    by_hand = tmp_path / "by-hand.toml"
    by_hand.write_text("\n".join(lines).replace('first = "wheel-1", ', "").replace('"off:K1+S1=first", ', ""), encoding="utf-8")
    ours = without_gear(load_layout("three-clutch"), "first")
    assert ours.digest == load_layout(str(by_hand)).digest
    assert {c.id for c in derive(ours).configurations} == {c.id for c in derive(load_layout(str(by_hand))).configurations}


@pytest.mark.parametrize(("less", "part"), [(without_friction, "K3"), (without_gear, "second")])
def test_a_clutch_and_the_gear_that_only_it_reaches_go_together(less, part, tmp_path):
    """The third clutch drives the second gear and nothing else: without either, the other is dead weight. Against a file without both."""
    lines = (SHIPPED / "three-clutch.toml").read_text(encoding="utf-8").splitlines()
    by_hand = tmp_path / "by-hand.toml"
    by_hand.write_text("\n".join(line for line in lines if not line.startswith(("K3 = {", "second = {", "even = {"))), encoding="utf-8")
    written, without = load_layout(str(by_hand)), less(load_layout("three-clutch"), part)
    assert without.parts_kg == written.parts_kg and without.vehicle.mass_kg == written.vehicle.mass_kg == 1900.0 - 5.0 - 4.0
    assert without.vehicle.f0_N == pytest.approx(written.vehicle.f0_N, rel=1e-12)
    assert set(without.shafts) == set(written.shafts) and without.shaft_properties == written.shaft_properties
    assert {c.id for c in derive(without).configurations} == {c.id for c in derive(written).configurations}


def test_a_deleted_machine_leaves_no_loose_ends():
    layout = without_machine(load_layout("three-clutch"), "mg2")
    assert [m.name for m in layout.machines] == ["mg1"] and "second-machine" not in {g.name for g in layout.gears}
    assert layout.vehicle.mass_kg == 1900.0 - 40.0 - 4.0        # its own and its gear pair's, in the shipped file
    assert "rotor-2" not in layout.shafts and "rotor-2" not in layout.shaft_properties
    assert without_machine(load_layout("three-clutch"), "mg1").engine.started_by is None


def test_hold_power_goes_with_a_deleted_clutch(town):
    """K1 held closed for good: forbidden it still takes 500 W whenever it is closed, deleted it takes and weighs nothing."""
    weightless = ["clutches.K1.mass_kg=0", "clutches.K2.mass_kg=0", "clutches.K2.hold_W=0"]
    layout = load_layout("three-clutch", overrides=[*weightless, "clutches.K1.hold_W=500"])
    lighter = without_costs(load_layout("three-clutch", overrides=["clutches.K1.hold_W=500"]), "K1")
    assert lighter.vehicle.mass_kg == load_layout("three-clutch").vehicle.mass_kg - 6.0      # its mass in the shipped file
    assert {c.name: c.hold_W for c in lighter.clutches}["K1"] == 0.0
    assert without_costs(layout, "K1").digest == load_layout("three-clutch", overrides=[*weightless, "clutches.K1.hold_W=0"]).digest
    made = worth(layout, [town.cycle], grid=town.grid, kinds=["clutch"])
    rows = {(row.part, row.what): row for row in made.rows}
    assert ("K2", HARDWARE) not in rows                             # it costs nothing: no figure of its own
    assert rows["K1", HARDWARE].bar.value < rows["K1", CONTROL].bar.value
    assert rows["K3", HARDWARE].how == "always closed"              # needs less than open for good: the engine still drives, by second
    with_all, without_K3, lighter = brief(layout), rows["K3", HARDWARE].ability, brief(without_costs(layout, "K3"))
    assert without_K3["time_0_100_s"] > with_all["time_0_100_s"]    # first and third are lost to engine and mg1
    assert without_K3["most_power_kW"] == pytest.approx(lighter["most_power_kW"], rel=1e-6)     # made through second, as with everything
    assert 0.0 < without_K3["most_power_kW"] - with_all["most_power_kW"] <= 0.020               # the 20 W that held it, less losses
    open_for_good = brief(load_layout("three-clutch", overrides=[*weightless, "clutches.K1.hold_W=500", 'forbid=["*K3*"]']))
    assert open_for_good["time_0_100_s"] > with_all["time_0_100_s"] and open_for_good["most_power_kW"] < with_all["most_power_kW"] - 5.0


def test_two_like_machines_are_worth_one_of_both_ratings(tmp_path, town):
    """Convex losses are shared equally, and a map scaled by two loses 2 f(T / 2): one machine of the sum does as well (derived)."""
    path = tmp_path / "twins.toml"
    path.write_text(TWINS, encoding="utf-8")
    made = worth(load_layout(str(path)), [town.cycle], grid=town.grid, kinds=["machines together"])
    (row,) = made.rows
    assert row.part == "mg1 + mg2" and "120 kW" in row.how
    assert abs(row.bar.value) <= 2e-3 * made.base["town"].value


def test_ratios_found_anew_need_no_more_fuel(town):
    """From a final drive 15 % off the search comes back, and never ends above where it began."""
    short = replace(town.cycle, time_s=town.cycle.time_s[:60], speed_m_s=town.cycle.speed_m_s[:60], grade=town.cycle.grade[:60],
                    auxiliary_W=town.cycle.auxiliary_W[:59])
    layout = scaled_ratio(load_layout("series"), "drive", 1.5)
    found = best_ratios(layout, [short], town.grid)
    before, after = (optimum(x, short, grid=town.grid).fuel_g for x in (layout, found))
    assert after < before


def test_ratios_of_a_bowl_are_those_of_its_bottom(monkeypatch, town):
    """Fuel that is a parabola in the logarithm of every ratio: compass and vertex end at its bottom (by construction)."""
    bottom = {"first": 2.3, "second": 1.25, "third": 0.78, "second-machine": 1.95, "final": 4.4}
    tried = []

    def bowl(layout, cycles, grid):
        tried.append(layout.digest)
        return 40.0 * (1.0 + 0.3 * sum(np.log(float(g.ratio) / bottom[g.name]) ** 2 for g in layout.gears))

    monkeypatch.setattr(ratios, "_mean_bound_g_km", bowl)
    found = best_ratios(load_layout("three-clutch"), [], town.grid)
    assert {g.name: float(g.ratio) for g in found.gears} == pytest.approx(bottom, rel=5e-3)
    assert len(tried) < 60 and len(set(tried)) >= len(tried) - 2       # each once, but the two that are judged second by second


def test_ratios_that_only_long_steps_let_through_are_not_taken(monkeypatch, town):
    """What cannot follow second by second is left, and the search made again second by second."""
    start = load_layout("three-clutch")

    def bound(layout, cycles, grid):
        long_steps = cycles[0].time_s.size < town.cycle.time_s.size
        final = float(next(g.ratio for g in layout.gears if g.name == "final"))
        return np.inf if final < 3.9 and not long_steps else 40.0 + final

    monkeypatch.setattr(ratios, "_mean_bound_g_km", bound)
    assert best_ratios(start, [town.cycle], town.grid).digest == start.digest


def test_a_thinned_trip_ends_where_it_ended(town):
    """Same time, speeds at the ends of its steps, and energy of the auxiliaries; 70 s in threes leave a step of one (by hand)."""
    cycle = replace(town.cycle, auxiliary_W=np.linspace(100.0, 500.0, town.cycle.auxiliary_W.size))
    thin = thinned(cycle, 3)
    assert thin.time_s[[0, 1, -2, -1]].tolist() == [0.0, 3.0, 69.0, 70.0] and thin.auxiliary_W.size == thin.time_s.size - 1
    assert thin.speed_m_s[1] == cycle.speed_m_s[3] and thin.speed_m_s[-1] == cycle.speed_m_s[-1]
    assert np.sum(thin.auxiliary_W * np.diff(thin.time_s)) == pytest.approx(np.sum(cycle.auxiliary_W), rel=1e-12)


def test_ratios_that_cannot_follow_are_led_to_some_that_can(town):
    """A drive so short that the machine would turn too fast; what is found follows."""
    short = scaled_ratio(load_layout("series"), "drive", 5.0)
    with pytest.raises(CycleNotFollowed, match="speed of mg2"):
        optimum(short, town.cycle, grid=town.grid)
    found = best_ratios(short, [town.cycle], town.grid)
    assert float(found.gears[-1].ratio) < float(short.gears[-1].ratio)
    assert optimum(found, town.cycle, grid=town.grid).fuel_g > 0.0


def test_other_ratios_are_pointed_to_where_they_might_help(result):
    """Nothing reaches the wheels without the last gear pair, whatever the ratios; a machine that turns too fast would need others."""
    (final,) = (row for row in result.rows if row.part == "final" and row.what == HARDWARE)
    too_fast = replace(final, why=final.why.replace("no source that reaches the wheels", "speed of mg2"))
    told = ["\n".join(map(str, worth_text(replace(result, rows=(row,))))) for row in (final, too_fast)]
    assert ["--ratios looks for others" in text for text in told] == [False, True] and all("cannot do without final" in t for t in told)
