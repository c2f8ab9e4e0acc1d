"""A short trip at constant speed, and a chargeable car on it, found once for all tests."""

from __future__ import annotations

import numpy as np
import pytest

from ems.layout.load import load_layout
from ems.trips.cycle import Cycle, Phase

SPEED_M_S = 12.5
SECONDS = 200


@pytest.fixture(scope="session")
def steady() -> Cycle:
    """200 s at 45 km/h, in two phases."""
    points = SECONDS + 1
    return Cycle("steady", "steady", np.arange(float(points)), np.full(points, SPEED_M_S), np.zeros(points), np.zeros(SECONDS),
                 (Phase("first", 0.0, 80.0), Phase("second", 80.0, 200.0)))


@pytest.fixture(scope="session")
def layout():
    return load_layout("series-chargeable")


@pytest.fixture(scope="session")
def electric(layout, steady):
    from ems.solve.electric_first import electric_first

    return electric_first(layout, steady)


@pytest.fixture(scope="session")
def found(layout, steady):
    from ems.judge.chargeable import chargeable

    return chargeable(layout, steady, charge=(0.25, 0.20))
