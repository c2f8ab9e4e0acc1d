"""Kernels index within their arrays: numba checks no bounds in normal runs, so they run once here with checks on."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

CHECKS_ARE_ON = """
import numba, numpy as np

@numba.njit
def beyond(values, i):
    return values[i]

try:
    beyond(np.zeros(3), 3)
except IndexError:
    print("checked")
"""

# Half a minute with rest, pulling away, braking, a climb and seconds that no layout can follow: every kind of demand.
CYCLE = """\
time_s,speed_kmh,grade_percent
0,0,0
3,0,0
9,48,0
14,95,2
18,120,4
21,120,-6
26,20,-6
28,0,0
30,0,0
"""

RUN = """
import sys
import numpy as np
import ems
from ems.plant.plant import build_plant
from ems.tables.build import build_tables
from ems.trips.demand import demand

layout, cycle = ems.load_layout(sys.argv[1]), ems.load_cycle("./trip.csv")
plant = build_plant(layout, lanes=int(sys.argv[2]))
tables = build_tables(plant, demand(cycle, layout.vehicle))
served = np.unique(tables.demand_of[(tables.count[tables.demand_of] > 0).any(axis=1)]).size
print("points", tables.fuel_g_s.size, "served", served, "of", tables.demands.wheel_speed.size)
"""

# Within what every layout can do, so that all solvers run to their ends.
SOFT_CYCLE = """\
time_s,speed_kmh,grade_percent
0,0,0
2,0,0
12,60,3
20,70,-3
27,0,-1
30,0,0
"""

SOLVE = """
import sys
import ems

layout = ems.load_layout(sys.argv[1], overrides=["battery.soc_low=0.5", "battery.soc_high=0.6"])
found = ems.optimum(layout, ems.load_cycle("./soft-trip.csv"), lanes=int(sys.argv[2]))
print(found.lower_bound_g, found.objective_g)
"""


def run(script: str, *words: str, folder) -> str:
    environment = {**os.environ, "NUMBA_BOUNDSCHECK": "1", "EMS_CACHE_DIR": str(folder / "kernels")}
    done = subprocess.run([sys.executable, "-c", script, *words], cwd=folder, env=environment, capture_output=True,
                          text=True)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder with the trip; kernels compiled with bounds checks are kept beside it, away from the usual ones."""
    place = tmp_path_factory.mktemp("bounds")
    (place / "trip.csv").write_text(CYCLE, encoding="utf-8")
    (place / "soft-trip.csv").write_text(SOFT_CYCLE, encoding="utf-8")
    return place


def test_the_switch_switches_the_checks_on(folder):
    assert run(CHECKS_ARE_ON, folder=folder).strip() == "checked"


@pytest.mark.parametrize(("layout", "lanes"), [("three-clutch", 1), ("input-split", 1), ("series", 3)])
def test_frontier_kernels_stay_within_their_arrays(folder, layout, lanes):
    words = run(RUN, layout, str(lanes), folder=folder).split()
    points, served, demands = int(words[1]), int(words[3]), int(words[5])
    assert 20 <= served < demands and points > 10 * demands


@pytest.mark.parametrize(("layout", "lanes"), [("three-clutch", 1), ("series", 3)])
def test_all_solvers_stay_within_their_arrays(folder, layout, lanes):
    bound, objective = map(float, run(SOLVE, layout, str(lanes), folder=folder).split())
    assert 0.0 < bound <= objective
