"""Every strategy on every shipped layout and cycle: driven inside the window, never below the certified bound."""

from __future__ import annotations

import numpy as np
import pytest
from recorded import record

from ems import library
from ems.errors import CycleNotFollowed
from ems.judge.gap import at_equal_charge_g
from ems.layout.load import load_layout
from ems.solve.optimum import optimum
from ems.strategies.course import course_of
from ems.strategies.ecms import Ecms, adaptive
from ems.strategies.load import load_strategy
from ems.strategies.rules import load_rules
from ems.strategies.schedule import Schedule
from ems.strategies.simulate import drive, simulate
from ems.trips.cycle import load_cycle

MAIN_CYCLES = ("wltc-3b", "nedc", "udds", "hwfet", "us06", "hill-town")
LEAST_ERROR_PERCENT = 0.02      # of the tables; a strategy chooses between their points


def check(run, course, best):
    """Inside the window; every joule accounted for; no id that does not exist; at the charge of the optimum not below the bound.

    The affine certificate holds for every charge at the end, so one optimum serves all strategies.
    """
    battery, soc = course.plant.layout.battery, np.asarray(run.trace.columns["soc_end"])
    assert battery.soc_low <= soc.min() and soc.max() <= battery.soc_high
    assert abs(run.energy_residual_percent) < 1e-6
    equal_g = at_equal_charge_g(best, run.objective_g, run.energy_J[-1], best.problem.target_J)
    assert equal_g >= best.bound.bound_g * (1.0 - max(best.table_error_percent, LEAST_ERROR_PERCENT) / 100.0)
    assert not run.corrections.get("interlock")


@pytest.mark.long
@pytest.mark.parametrize("cycle", library.names("cycle"))
@pytest.mark.parametrize("layout", library.names("layout"))
def test_every_strategy_on_every_layout_and_cycle(mine, tmp_path, layout, cycle):
    """Rules and both ECMS; on the main cycles also the rules' trip recorded at 10 Hz with noise and gaps, and the guide's ten lines."""
    loaded, trip = load_layout(layout), load_cycle(cycle)
    try:
        course = course_of(loaded, trip)
        best = optimum(loaded, trip)
    except CycleNotFollowed as error:
        pytest.skip(str(error))
    rules = simulate(loaded, trip, load_rules(loaded, plant=course.undivided), course=course)
    runs = [rules, *(simulate(loaded, trip, strategy, course=course) for strategy in (Ecms(2.6), adaptive()))]
    if cycle in MAIN_CYCLES:
        replay = load_strategy(f"replay:{record(rules, tmp_path, states=True)}", loaded)
        runs += [simulate(loaded, trip, replay, course=course), simulate(loaded, trip, mine, course=course)]
        assert np.mean(replay.recognised) >= 0.98
    for run in runs:
        check(run, course, best)
    again = drive(course, Schedule(rules.node, rules.choice), rules.energy_J[0])
    assert again.corrections == {} and again.objective_g == pytest.approx(rules.objective_g, rel=1e-9)


@pytest.mark.long
def test_default_rules_within_8_percent_of_the_optimum(courses):
    """The goal set for the untuned default on the WLTC."""
    c = courses("three-clutch", "wltc-3b")
    run = simulate(c.plant.layout, c.cycle, "rules", course=c)
    best = optimum(c.plant.layout, c.cycle, charge=(run.soc_start, run.soc_end))
    assert run.objective_g <= 1.08 * best.lower_bound_g
