"""The limit that is told where a cycle cannot be followed, against what a hand calculation says stops the layout."""

from __future__ import annotations

import math

import numpy as np
import pytest

from ems.errors import CycleNotFollowed, Shortfall
from ems.layout.load import load_layout
from ems.plant.plant import build_plant
from ems.solve.shortfall import shortfall
from ems.tables.build import build_tables
from ems.trips.cycle import Cycle
from ems.trips.demand import demand


def cycle(speed_kmh, grade=0.0, auxiliary_W=0.0):
    speed = np.asarray(speed_kmh, float) / 3.6
    n = speed.size
    return Cycle("made", "made for a test", np.arange(float(n)), speed, np.full(n, grade), np.full(n - 1, auxiliary_W))


def told(pieces, name, trip, overrides=()):
    layout = load_layout(name, overrides=overrides)
    plant = build_plant(layout)
    return shortfall(build_tables(plant, demand(trip, layout.vehicle), pieces.small_grid)), layout


def test_the_plain_car_wants_for_engine_power(pieces):
    """From 80 to 110 km/h in two seconds takes more than twice the engine's 105 kW (by hand)."""
    found, _ = told(pieces, "plain-car", cycle([80, 80, 95, 110]))
    assert found.limit == "engine full load" and found.time_s == 1.0 and found.seconds == 2.0 and found.short_kW > 50.0


def test_the_power_split_wants_for_machine_torque(pieces):
    """At rest all torque but 2.6 / 3.6 of the engine's comes from mg2: about 9.4 times its peak and 2.4 times the engine's."""
    found, layout = told(pieces, "input-split", cycle([0, 25, 50]))
    assert found.limit == "peak torque of mg2" and found.time_s == 0.0
    vehicle, (_, mg2) = layout.vehicle, layout.machines
    wanted_Nm = (vehicle.mass_kg + vehicle.rotating_mass_kg) * 25 / 3.6 * vehicle.wheel_radius_m
    assert wanted_Nm > 9.4 * float(mg2.machine.peak_Nm.max()) + 2.4 * float(layout.engine.engine.full_load_Nm.max())


@pytest.mark.parametrize(("name", "limit", "shaft_per_wheel"), [("series", "speed of mg2", 9.0), ("plain-car", "speed of engine", 2.535)])
def test_speed_that_no_configuration_reaches(pieces, name, limit, shaft_per_wheel):
    """Downhill, so that no power is wanted: speed of the shaft over its limit (by hand)."""
    found, layout = told(pieces, name, cycle([300.0, 300.0], grade=-0.12))
    most = layout.engine.engine.max_rad_s if name == "plain-car" else layout.machines[1].machine.max_rad_s
    assert found.limit == limit and 300 / 3.6 / layout.vehicle.wheel_radius_m * shaft_per_wheel > most


def test_consumers_that_nothing_feeds(pieces):
    """More than battery and alternator give, at a standstill and while braking: nothing is missing at the wheels."""
    for trip in (cycle([0.0, 0.0, 10.0], auxiliary_W=99e3), cycle([50.0, 46.0, 42.0], auxiliary_W=99e3)):
        found, _ = told(pieces, "plain-car", trip)
        assert found.limit in ("battery discharge power", "peak torque of alternator") and found.time_s == 0.0
        assert not math.isnan(found.short_kW)
    found, _ = told(pieces, "series", cycle([50.0, 46.0, 42.0], auxiliary_W=99e3), ("engine.rating_kW=20",))
    assert found.limit == "battery discharge power" and found.short_kW == 0.0


def test_in_words():
    short = Shortfall(3.0, "battery discharge power", 0.0, 2.0)
    assert "stopped by battery discharge power, nothing short at the wheels" in str(CycleNotFollowed("a", "b", short))
