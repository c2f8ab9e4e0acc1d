"""The simulator: the optimum driven again, weak duality, corrections counted, window kept, a user's own class."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from ems.errors import InputError, RunError
from ems.kernels.simulate import internal, room
from ems.solve.optimum import optimum
from ems.strategies.ecms import Ecms
from ems.strategies.load import load_strategy
from ems.strategies.protocol import Request
from ems.strategies.schedule import Schedule
from ems.strategies.simulate import CORRECTIONS, drive, simulate

LAYOUTS = ("three-clutch", "input-split", "series")
PIECE = ("wltc-3b", 0, 330)


class Random:
    """Asks for anything, possible or not."""

    def __init__(self, seed, ids):
        self.draw, self.ids = np.random.default_rng(seed), [*ids, "on:nowhere"]
        self.kept = self.ids[0]

    def decide(self, s):
        if self.draw.random() < 0.1:
            self.kept = self.ids[self.draw.integers(len(self.ids))]
        return Request(self.kept, *self.draw.uniform([0.0, -50.0], [700.0, 250.0]), None,
                       tuple(self.draw.uniform(-200, 200, 1)) if self.draw.random() < 0.5 else None, self.draw.uniform(-0.2, 1.2))


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_optimum_driven_again_is_the_optimum(courses, layout):
    c = courses(layout, *PIECE)
    best = optimum(c.plant.layout, c.cycle)
    again = simulate(c.plant.layout, c.cycle, Schedule(best.trace.node, best.trace.choice), course=c)
    assert again.corrections == {}
    assert again.objective_g == pytest.approx(best.objective_g, rel=1e-12)
    assert again.soc_end == pytest.approx(best.soc_end, abs=1e-12)


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("word", ["ecms", "rules", "ecms-adaptive"])
def test_no_strategy_beats_the_lower_bound_for_its_end_charge(courses, layout, word):
    """Weak duality (derived): the bound holds for every choice the plant allows, on a grid or not, up to what finer tables would take
    off (the table error that every optimum prints)."""
    c = courses(layout, *PIECE)
    strategy = Ecms(2.6) if word == "ecms" else load_strategy(word, c.plant.layout, plant=c.plant)
    run = simulate(c.plant.layout, c.cycle, strategy, course=c)
    best = optimum(c.plant.layout, c.cycle, charge=(run.soc_start, run.soc_end))
    assert run.objective_g >= best.lower_bound_g * (1.0 - max(best.table_error_percent, 0.02) / 100.0)
    assert abs(run.energy_residual_percent) < 1e-6
    battery = c.plant.layout.battery
    soc = run.trace.columns["soc_end"]
    assert battery.soc_low <= np.min(soc) and np.max(soc) <= battery.soc_high


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("seed", range(3))
def test_whatever_is_asked_for_the_trip_is_possible_and_every_correction_counted(courses, target_J, layout, seed):
    c = courses(layout, *PIECE)
    driven = drive(c, Random(seed, c.ids), target_J(c))
    battery = c.plant.battery
    assert battery.low_J <= driven.energy_J.min() and driven.energy_J.max() <= battery.high_J
    assert set(driven.corrections) <= set(CORRECTIONS) and driven.corrections["interlock"] > 0
    assert driven.corrections["engine torque"] > 0
    again = drive(c, Schedule(driven.node, driven.choice), target_J(c))
    assert again.corrections == {}
    np.testing.assert_allclose(again.energy_J, driven.energy_J, rtol=1e-9)


def test_a_request_that_is_possible_is_not_touched(courses, target_J):
    c = courses("three-clutch", *PIECE)
    driven = drive(c, Ecms(2.6), target_J(c))
    assert driven.corrections == {}


def test_too_much_torque_becomes_the_most_there_is(courses, target_J):
    c = courses("series", *PIECE)
    running = next(i for i, on in zip(c.ids, c.running, strict=True) if on)

    class Flat:
        def decide(self, s):
            return Request(running, 200.0, 1e4)

    driven = drive(c, Flat(), target_J(c))
    full = np.interp(200.0, c.plant.arrays.engine_limit_speed, c.plant.arrays.engine_full_load)
    assert driven.choice[0, 2] == pytest.approx(full, rel=1e-9)
    assert driven.corrections["engine torque"] == driven.node.size


def test_battery_power_asked_for_is_what_the_battery_gives(courses, target_J):
    """The engine's torque solves for the battery's power where its range allows it."""
    c = courses("series", *PIECE)
    running = next(i for i, on in zip(c.ids, c.running, strict=True) if on)

    class Steady:
        def decide(self, s):
            return Request(running, battery_power_W=-4000.0)

    run = simulate(c.plant.layout, c.cycle, Steady(), course=c)
    power = np.asarray(run.trace.columns["battery_power_kW"])
    driving = (c.demand.power_W >= 0.0) & (np.asarray(run.trace.columns["soc_end"]) < 0.74)
    assert driving.sum() > 100 and np.mean(np.abs(power[driving] + 4.0) < 1e-3) > 0.95


def test_the_engines_own_least_times_hold(courses, target_J):
    """An engine that must run for 20 s does, however often it is asked to stop; every refusal is counted."""
    c = courses("series", *PIECE)
    engine = replace(c.plant.layout.engine.engine, minimum_on_s=20.0)
    layout = replace(c.plant.layout, engine=replace(c.plant.layout.engine, engine=engine))
    patient = replace(c, plant=replace(c.plant, layout=layout))
    running = next(i for i, on in zip(c.ids, c.running, strict=True) if on)

    class Nervous:
        def decide(self, s):
            return Request(running if s.interval % 40 == 30 else "off:open")

    driven = drive(patient, Nervous(), target_J(c))
    on = np.flatnonzero(np.array(c.running)[driven.node])
    stretches = np.split(on, np.flatnonzero(np.diff(on) > 1) + 1)
    assert [len(stretch) for stretch in stretches[:-1]] == [20] * (len(stretches) - 1)
    assert driven.corrections["configuration"] >= 19 * (len(stretches) - 1)


def test_braking_share_is_kept(courses, target_J):
    """Half of the braking torque, or the most that the axle may take where regeneration fades out; each such second is counted."""
    c = courses("series", *PIECE)

    class Half:
        def decide(self, s):
            return Request("off:open", regeneration=0.5)

    driven = drive(c, Half(), target_J(c))
    Tw = np.array([s.Tw for s in c.seconds])
    braking = (Tw < -1.0) & (np.array(c.running)[driven.node] == 0)
    least = np.array([s.axle_least[0] for s in c.seconds])
    held = braking & (0.5 * Tw < least)
    np.testing.assert_allclose(driven.choice[braking & ~held, 1], 0.5 * Tw[braking & ~held], rtol=1e-9)
    np.testing.assert_allclose(driven.choice[held, 1], least[held], rtol=1e-8)
    radius = c.plant.layout.vehicle.wheel_radius_m
    assert 0 < held.sum() < 0.1 * braking.sum() and (3.6 * radius * np.array([s.ww for s in c.seconds])[held] < 10.0).all()
    assert driven.corrections["regeneration"] == held.sum()


def test_ten_lines_of_a_users_own(courses, mine):
    """The example of the guide, as it stands there."""
    c = courses("three-clutch", *PIECE)
    run = simulate(c.plant.layout, c.cycle, mine, course=c)
    assert run.strategy == "Mine" and math.isfinite(run.fuel_g) and run.corrections.get("interlock", 0) == 0
    assert set(run.to_dict()) >= {"fuel_g", "corrections", "soc_end"} and "fuel_g_s" in run.to_frame()


@pytest.mark.parametrize("word, found", [
    ("ruls", "nearest: rules"), ("python:no_such_module:A", "fails to import"), ("python:A", "expected python:module:Class"),
    ("python:none.py:A", "existing Python file"), ("replay:none.toml", "existing mapping file"),
    ("rules:none.toml", "existing calibration"),
    ("python:json:Nothing", "a class in json"), ("python:json:JSONDecoder", "without a method decide")])
def test_words_that_are_no_strategy(courses, word, found):
    with pytest.raises(InputError, match=found):
        load_strategy(word, courses("series", *PIECE).plant.layout)


def test_charge_outside_the_window(courses):
    c = courses("series", *PIECE)
    with pytest.raises(InputError, match="window"):
        simulate(c.plant.layout, c.cycle, Ecms(2.6), charge=(0.1, 0.9), course=c)


@pytest.mark.parametrize("short_J", [5.0, 500.0, 4000.0])
def test_a_battery_below_its_window_is_charged_back_into_it(courses, short_J):
    """Where a change leaves it below, the least charging that is let through brings it back in one second, losses paid (derived)."""
    b = courses("series-chargeable", "udds", 0, 60).plant.battery
    space = room(b, b.low_J - short_J, 1.0, np.array([1.0, 0.0, 0.0]))
    assert space.high < 0.0
    assert b.low_J - short_J - internal(space, space.high) >= b.low_J


class Dividing:
    """Fails while it decides."""

    def decide(self, s):
        return Request(s.possible[0 if s.time_s < 3.0 else 1 // 0])


class Wordy:
    """Gives a word in place of a request."""

    def decide(self, s):
        return "off:open"


class Torque:
    """Asks for a torque in words."""

    def decide(self, s):
        return Request(s.possible[0], engine_torque_Nm="much")


@pytest.mark.parametrize(("made", "words"), [
    (Dividing, r"second 3: decide of Dividing failed in .*test_simulate\.py, line \d+ \(ZeroDivisionError"),
    (Wordy, "second 0: decide of Wordy gave 'off:open'; expected a Request"),
    (Torque, "second 0: decide of Torque asked for 'much'; expected a number or None")])
def test_what_a_class_of_the_users_does_wrong_is_told_as_its_own(courses, made, words):
    c = courses("series", *PIECE)
    with pytest.raises(RunError, match=words):
        simulate(c.plant.layout, c.cycle, made(), course=c)


@pytest.mark.parametrize(("word", "expected"), [("replay", "replay:FILE, the mapping file"), ("rules:", "rules, or rules:FILE"),
                                                ("python:", "python:module:Class")])
def test_a_word_that_lacks_its_file_is_told_what_it_needs(courses, word, expected):
    from ems.errors import InputError
    from ems.strategies.load import load_strategy

    with pytest.raises(InputError, match=expected):
        load_strategy(word, courses("series", "wltc-3b", 0, 330).plant.layout)


def test_what_a_strategy_noted_comes_with_the_error(courses, monkeypatch):
    """A recording of another cycle once got stuck without a word on the speeds being apart."""
    from ems.errors import RunError
    from ems.strategies import simulate as simulator

    def stuck(*_):
        raise RunError("second 7: no configuration")

    monkeypatch.setattr(simulator, "drive", stuck)
    c = courses("series", "wltc-3b", 0, 330)
    strategy = type("Noting", (), {"decide": None, "notes": ("speeds are 30 km/h apart",)})()
    with pytest.raises(RunError, match="second 7: no configuration; speeds are 30 km/h apart"):
        simulator.simulate(c.plant.layout, c.cycle, strategy, course=c)
