"""Mode labels: which gear the engine drives in."""

from __future__ import annotations

import dataclasses

import pytest

import ems
from ems.configurations import derive
from ems.plant.modes import gear, mode_label
from ems.present.palette import mode_style


@pytest.fixture(scope="module", params=["plain-car", "parallel-six"])
def derivation(request):
    return derive(ems.load_layout(request.param))


@pytest.mark.parametrize(("word", "number"), [("first", 1), ("second", 2)])
def test_a_launch_is_in_the_gear_in_which_its_clutch_closes(derivation, word, number):
    """The shortest of the six ratios in the layout file is first, the next second."""
    slipping, closed = derivation.find(f"on:K1~+S1={word}"), derivation.find(f"on:K1+S1={word}")
    assert slipping.ratio is None
    assert gear(derivation, slipping) == gear(derivation, closed) == number


def test_every_label_of_an_engine_that_drives_has_a_colour_that_can_be_drawn(derivation):
    from matplotlib.colors import to_rgb

    driving = [c for c in derivation.configurations if c.wheel_driven and "engine" in c.active and not c.idling]
    assert any(c.slipping for c in driving)
    for c in driving:
        for machine_W in (-5e3, 0.0, 5e3):
            style = mode_style(mode_label(derivation, c, 1.0, 5e3, 0.0, 10e3, [machine_W], machine_W))
            assert len(to_rgb(style.colour)) == len(to_rgb(style.edge)) == 3


def test_gears_come_in_the_order_of_their_ratios_with_a_closed_clutch_forbidden():
    """A gear that only slips still counts."""
    layout = ems.load_layout("plain-car")
    derivation = derive(layout)
    kept = tuple(c for c in derivation.configurations if c.id != "on:K1+S1=first")
    less = dataclasses.replace(derivation, configurations=kept)
    assert [gear(less, less.find(word)) for word in ("on:K1~+S1=first", "on:K1+S1=second", "on:K1+S1=sixth")] == [1, 2, 6]


@pytest.mark.parametrize(("wheel_kW", "brake_kW", "engine_kW", "machines_kW", "label"), [
    (-14.0, 0.8, 0.2, (-0.2, -13.0), "regeneration, one machine"),        # the engine idles beside
    (-14.0, 0.8, 20.0, (-19.0, -13.0), "series"),                         # it gives more than braking does
    (-14.0, 13.9, 0.2, (-0.2, 0.0), "series"),                            # the friction brakes take nearly all
    (14.0, 0.0, 0.2, (-0.2, 15.0), "series"),
])
def test_an_engine_that_gives_less_than_braking_does_is_no_mode(wheel_kW, brake_kW, engine_kW, machines_kW, label):
    derivation = derive(ems.load_layout("three-clutch"))
    c = derivation.find("on:K1+S1=third")
    assert mode_label(derivation, c, 70.0, 1e3 * wheel_kW, 1e3 * brake_kW, 1e3 * engine_kW, [1e3 * p for p in machines_kW],
                      1e3 * sum(machines_kW)) == label


@pytest.mark.parametrize(("machine_kW", "battery_kW", "label"), [
    (-2.0, -1.5, "parallel charging, gear 3"), (-0.4, 0.1, "engine alone, gear 3"),     # the consumers take it, and some of the battery's
    (-0.4, 0.0, "engine alone, gear 3"), (0.0, 0.35, "engine alone, gear 3"), (3.0, 3.5, "parallel boost, gear 3")])
def test_charging_is_what_charges_the_battery(derivation, machine_kW, battery_kW, label):
    c = derivation.find("on:K1+S1=third")
    assert mode_label(derivation, c, 70.0, 10e3, 0.0, 12e3, [1e3 * machine_kW], 1e3 * battery_kW) == label


def test_at_rest_an_engine_that_only_feeds_the_consumers_charges_nothing(derivation):
    c = derivation.find("on:K1+S1=third")
    told = [mode_label(derivation, c, 0.0, 0.0, 0.0, 2e3, [-1.9e3], 1e3 * kW) for kW in (-1.5, 0.0)]
    assert told == ["standstill charging", "standstill"]
