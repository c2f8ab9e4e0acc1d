"""Rules and their calibration: hysteresis, gear lines, load, files; the first calibration of any layout; the frozen ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from ems import library
from ems.errors import InputError
from ems.layout.load import load_layout
from ems.plant.plant import build_plant
from ems.strategies.calibration import Calibration, changed, load_calibration, parameters, to_toml
from ems.strategies.engine_lines import engine_lines
from ems.strategies.first_calibration import STEP_KMH, default_calibration, first_calibration, frozen_path
from ems.strategies.protocol import Situation
from ems.strategies.rules import Rules, load_rules
from ems.strategies.simulate import drive, simulate

PIECE = ("wltc-3b", 0, 600)


@pytest.fixture(scope="module")
def three(courses):
    c = courses("three-clutch", *PIECE)
    return c, default_calibration(c.plant)


def situation(c, k=0, **values):
    base = Situation(k, float(k), 1.0, 10.0, 0.0, 0.0, 500.0, 5000.0, 300.0, 0.55, 0.0, c.ids[2], 2, 100.0, False, 100.0, c.possible)
    return replace(base, **values)


def test_every_parameter_has_unit_bounds_and_meaning(three):
    for p in parameters(three[1]):
        assert p.low <= p.value <= p.high and p.meaning and p.unit and p.high < 1e9, p


def test_the_file_says_what_was_written(three, tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(to_toml(three[1]), encoding="utf-8")
    again = load_calibration(path)
    for a, b in zip(parameters(three[1]), parameters(again), strict=True):
        assert a.name == b.name and b.value == pytest.approx(a.value, rel=1e-5)
    assert "rig" in path.read_text(encoding="utf-8")


def test_every_mistake_in_a_calibration_at_once(tmp_path):
    path = tmp_path / "wrong.toml"
    path.write_text("[charge]\ntarget = 1.5\n[electric]\nspeed_kmh = 'fast'\npower_kW = -3\nspeed_hystersis_kmh = 2\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_calibration(path)
    text = str(caught.value)
    for word in ("charge.target", "electric.speed_kmh", "electric.power_kW", "nearest: speed_hysteresis_kmh", "[kW]"):
        assert word in text


def test_a_target_outside_the_window_is_told(three):
    with pytest.raises(InputError, match=r"charge\.target: found 0\.9; expected a state of charge in the window of battery"):
        Rules(three[0].plant, changed(three[1], {"charge.target": 0.9}))


def test_a_calibration_of_another_layout_is_told(three):
    assert Rules(three[0].plant, three[1]).notes == ()
    other = three[1].model_copy(update={"layout": "series"})
    assert Rules(three[0].plant, other).notes == ("the calibration was made for layout series",)


def test_gear_lines_must_leave_a_hysteresis(three):
    with pytest.raises(InputError, match="down_kmh of gear 2"):
        changed(three[1], {"gears.engine.2.down_kmh": three[1].gears.engine[0].up_kmh + 5.0})


def test_a_configuration_that_is_none_is_told(three):
    data = three[1].model_dump()
    data["gears"]["electric"][0]["configuration"] = "off:S1=frist"
    with pytest.raises(InputError, match="nearest: off:S1=first"):
        Rules(three[0].plant, Calibration.model_validate(data))


def test_engine_limits_have_hysteresis_and_move_with_charge(three):
    c, calibration = three
    rules = Rules(c.plant, changed(calibration, {"electric.power_kW": 10.0, "electric.power_hysteresis_kW": 3.0,
                                                 "electric.power_per_charge_kW": 5.0, "engine.minimum_on_s": 0.0}))
    rules.begin(c)
    able = np.ones(len(c.ids), bool)
    on = []
    for kW in (9.0, 10.5, 9.0, 7.5, 6.5, 9.0):
        s = situation(c, power_W=1e3 * kW, engine_running=bool(on and on[-1]))
        on.append(rules._engine(s, able))
    assert on == [False, True, True, True, False, False]
    rules.begin(c)
    assert not rules._engine(situation(c, power_W=14e3, soc=0.65), able)
    assert rules._engine(situation(c, power_W=6e3, soc=0.45), able)


def test_the_power_limit_rises_towards_rest(three):
    """By hand: 10 kW, and 20 kW more at rest, nothing from 30 km/h on; 20 at 15 km/h."""
    c, calibration = three
    rules = Rules(c.plant, changed(calibration, {"electric.power_kW": 10.0, "electric.slow_kmh": 30.0, "electric.slow_power_kW": 20.0}))
    able = np.ones(len(c.ids), bool)
    for kmh, limit_kW in ((0.3, 29.8), (15.0, 20.0), (24.0, 14.0), (30.0, 10.0), (60.0, 10.0)):
        for kW in (limit_kW - 0.01, limit_kW + 0.01):
            rules.begin(c)
            assert rules._engine(situation(c, speed_m_s=kmh / 3.6, power_W=1e3 * kW), able) == (kW > limit_kW)


def test_power_must_last(three):
    """Three seconds above the limit, one below it between: the time counts anew; speed above its limit does not wait."""
    c, calibration = three
    rules = Rules(c.plant, changed(calibration, {"electric.power_kW": 10.0, "electric.lasting_s": 3.0, "electric.speed_kmh": 100.0}))
    rules.begin(c)
    able = np.ones(len(c.ids), bool)
    asked = [9.0, 12.0, 12.0, 9.0, 12.0, 12.0, 12.0]
    assert [rules._engine(situation(c, time_s=float(t), power_W=1e3 * kW), able) for t, kW in enumerate(asked)] == [False] * 6 + [True]
    rules.begin(c)
    assert rules._engine(situation(c, speed_m_s=30.0, power_W=1e3), able)


def test_minimum_times_of_the_engine(three):
    c, calibration = three
    rules = Rules(c.plant, changed(calibration, {"engine.minimum_on_s": 8.0, "engine.minimum_off_s": 5.0}))
    rules.begin(c)
    able = np.ones(len(c.ids), bool)
    assert rules._engine(situation(c, power_W=0.0, engine_running=True, engine_since_s=7.0), able)
    assert not rules._engine(situation(c, power_W=0.0, engine_running=True, engine_since_s=8.0), able)
    assert not rules._engine(situation(c, power_W=60e3, engine_since_s=4.0), able)
    assert rules._engine(situation(c, power_W=60e3, engine_since_s=5.0), able)


def test_the_engine_stops_while_braking(three):
    """After the second of braking that the calibration asks for, at any speed; not before it has run its shortest time."""
    c, calibration = three
    rules = Rules(c.plant, changed(calibration, {"engine.braking_s": 2.0, "engine.minimum_on_s": 5.0, "electric.speed_kmh": 80.0}))
    rules.begin(c)
    able = np.ones(len(c.ids), bool)
    on = [rules._engine(situation(c, time_s=t, speed_m_s=30.0, power_W=kW * 1e3, engine_running=True, engine_since_s=50.0), able)
          for t, kW in ((0.0, 20.0), (1.0, -5.0), (2.0, -5.0), (3.0, -5.0), (4.0, 1.0))]
    assert on == [True, True, False, False, True]
    rules.wanted = False
    assert rules._engine(situation(c, time_s=9.0, power_W=-5e3, engine_running=True, engine_since_s=4.0), able)


def test_room_for_height(three):
    """The charge aimed at falls by what comes back of m g h over the energy of the window per charge, and no further than 0.6 of the way
    to the window's end."""
    c, calibration = three
    rules = Rules(c.plant, changed(calibration, {"charge.height_share": 0.5}))
    rules.begin(c)
    for _ in range(11):                                                    # height counts from the interval after the climb
        rules._aim(situation(c, speed_m_s=20.0, grade=0.05))
    height_m, battery = 200.0 * 0.05 / (1.0 + 0.05**2) ** 0.5, c.plant.layout.battery
    per_charge_J = (battery.energy_J(battery.soc_high) - battery.energy_J(battery.soc_low)) / (battery.soc_high - battery.soc_low)
    assert rules.target == pytest.approx(0.55 - 0.5 * c.plant.layout.vehicle.mass_kg * 9.81 * height_m / per_charge_J, rel=1e-9)
    for _ in range(200):
        rules._aim(situation(c, speed_m_s=20.0, grade=0.05))
    assert rules.target == pytest.approx(0.55 - 0.6 * min(0.55 - battery.soc_low, battery.soc_high - 0.55), rel=1e-9)


def test_a_shorter_gear_where_power_asks_for_it(courses):
    """At one speed the ladder's gear, until the wheels ask for more than the next shorter gear gives at its best torque."""
    c = courses("parallel-six", *PIECE)
    rules = load_rules(c.plant.layout, plant=c.plant)
    rules.begin(c)
    able = np.ones(len(c.ids), bool)
    rungs, speed = rules.engaged, 60.0 / 3.6
    w = speed / c.plant.layout.vehicle.wheel_radius_m * 1.1 * 3.9          # fourth and final, from the layout's file
    limit_W = w * rules.lines.best_torque_Nm(w)
    taken = [rules._gear(situation(c, time_s=10.0 * i, speed_m_s=speed, power_W=share * limit_W), rungs, able, True)
             for i, share in enumerate((0.5, 0.99, 1.01))]
    assert taken == ["on:K1+S1=fifth", "on:K1+S1=fifth", "on:K1+S1=fourth"]


def test_a_launch_clutch_heats_for_nothing_at_rest(courses):
    """With the battery low an engine behind a slipping clutch does not charge at standstill: all of it would be heat."""
    c = courses("parallel-six", *PIECE)
    rules = load_rules(c.plant.layout, plant=c.plant)
    rules.begin(c)
    able = np.ones(len(c.ids), bool)
    assert "~" in rules.beside
    assert not rules._engine(situation(c, speed_m_s=0.0, power_W=0.0, soc=0.37), able)
    node = rules.nodes[rules.beside]
    assert rules._engine_point(situation(c, speed_m_s=1.0, power_W=-500.0, soc=0.37), node, 3.0)[1] == 0.0


def test_depleting_and_sustaining(three):
    c, calibration = three
    data = calibration.model_dump()
    data["charge"] |= {"deplete_above": 0.7, "sustain_below": 0.6}
    rules = Rules(c.plant, Calibration.model_validate(data))
    rules.begin(c)
    states = []
    for soc in (0.65, 0.71, 0.65, 0.6, 0.65):
        rules._deplete(situation(c, soc=soc))
        states.append(rules.depleting)
    assert states == [False, True, True, False, False]


def test_the_default_of_a_chargeable_layout_drains_the_battery_first(courses):
    """The fastest part of the cycle, from a full battery and from the charge that is sustained."""
    c = courses("series-chargeable", "wltc-3b", 1480, 1800)
    starts = [drive(c, load_rules(c.plant.layout, plant=c.plant), c.energy_J(soc)).engine_starts for soc in (0.9, 0.2)]
    assert starts[0] == 0 < starts[1]


def test_gear_lines_have_hysteresis(three):
    c, calibration = three
    rules = Rules(c.plant, changed(calibration, {"gears.dwell_s": 0.0}))
    rules.begin(c)
    able = np.ones(len(c.ids), bool)
    first, second = calibration.gears.electric[:2]
    between = 0.5 * (first.up_kmh + second.down_kmh) / 3.6
    at = [(second.down_kmh - 1) / 3.6, between, (first.up_kmh + 1) / 3.6, between, (second.down_kmh - 1) / 3.6]
    taken = [rules._gear(situation(c, time_s=float(i), speed_m_s=v), rules.electric, able, False) for i, v in enumerate(at)]
    assert taken == [first.configuration, first.configuration, second.configuration, second.configuration, first.configuration]


def test_sharing_by_rating(three):
    """Two machines that drive share the power by their rated power: here 2:1 or the like, from the layout's own ratings."""
    c, calibration = three
    data = calibration.model_dump()
    data["machines"]["sharing"] = "rating"
    data["gears"]["electric"] = [{"configuration": "off:K3+S1=third"}]
    rules = Rules(c.plant, Calibration.model_validate(data))
    run = simulate(c.plant.layout, c.cycle, rules, course=c)
    frame = run.to_frame()
    both = frame[(frame.configuration == "off:K3+S1=third") & (frame.wheel_power_kW > 3.0)]
    ratings = [m.machine.rated_power_W for m in c.plant.layout.machines]
    share = both.mg2_power_kW / (both.mg1_power_kW + both.mg2_power_kW)
    assert np.median(share) == pytest.approx(ratings[1] / sum(ratings), abs=0.05)


def test_engine_lines_of_a_map(three):
    """The line of best efficiency is nowhere worse than any other torque at that speed, by the map itself."""
    engine = three[0].plant.layout.engine.engine
    lines = engine_lines(engine)
    from scipy.interpolate import RegularGridInterpolator

    fuel = RegularGridInterpolator((engine.speed_rad_s, engine.torque_Nm), engine.fuel_g_s)
    for w in np.linspace(engine.idle_rad_s, engine.max_rad_s, 9):
        torque = np.linspace(0.1, 1.0, 30) * lines.full_load_Nm(w)
        rate = fuel(np.column_stack([np.full(30, w), torque])) / torque
        assert fuel([(w, lines.best_torque_Nm(w))])[0] / lines.best_torque_Nm(w) <= rate.min() * 1.005
    assert lines.speed_rad_s(5e3) < lines.speed_rad_s(60e3)


@pytest.mark.parametrize("layout", ["three-clutch", "input-split", "series"])
def test_rules_drive_a_piece_inside_the_window(courses, target_J, layout):
    c = courses(layout, *PIECE)
    driven = drive(c, load_rules(c.plant.layout, plant=c.plant), target_J(c))
    assert c.plant.battery.low_J <= driven.energy_J.min() and driven.energy_J.max() <= c.plant.battery.high_J
    assert sum(driven.corrections.values()) <= 0.02 * driven.node.size


def test_launch_in_the_gear_in_which_the_clutch_closes():
    """First gear in the layout's file; and no slipping beyond the speed at which the clutch can close."""
    calibration = first_calibration(build_plant(load_layout("plain-car"), lanes=1))
    assert calibration.gears.engine[0].configuration == "on:K1+S1=first"
    assert calibration.series.configuration == "on:K1~+S1=first" and calibration.series.below_kmh == 0.0


def test_frozen_calibrations_are_what_the_rule_gave():
    """Frozen before anything was tuned: the file of a shipped layout is the derived calibration, but for a step of the grid of speeds
    where two gears cost alike, and the digits of the file."""
    plant = build_plant(load_layout("input-split"), lanes=1)
    path = frozen_path(plant)
    assert path is not None
    for a, b in zip(parameters(load_calibration(path)), parameters(first_calibration(plant)), strict=True):
        assert a.name == b.name
        assert a.value == pytest.approx(b.value, rel=1e-5, abs=STEP_KMH if a.unit == "km/h" else 0.02), a.name


@pytest.mark.long
@pytest.mark.parametrize("layout", library.names("layout"))
def test_no_frozen_calibration_is_for_another_car(layout):
    """When a layout's data change the derived gears may become others, and the frozen file is due to be written again."""
    plant = build_plant(load_layout(layout), lanes=1)
    frozen, derived = load_calibration(frozen_path(plant)), first_calibration(plant)
    for ladder in ("electric", "engine"):
        assert [r.configuration for r in getattr(frozen.gears, ladder)] == [r.configuration for r in getattr(derived.gears, ladder)]
    assert frozen.series.configuration == derived.series.configuration
    assert frozen.charge == derived.charge and frozen.electric.power_kW == pytest.approx(derived.electric.power_kW, abs=0.25)


@pytest.mark.parametrize("path", sorted((library.folder("layout") / "calibrations").glob("*.toml")), ids=lambda p: p.stem)
def test_frozen_calibrations_fit_their_layouts(path):
    layout = load_layout(path.stem)
    Rules(build_plant(layout, lanes=1), load_calibration(path), where=path.name)
