"""Every strategy on every shipped layout and cycle: driven inside the window, never below the certified bound."""

from __future__ import annotations

import numpy as np
import pytest

from ems import library
from ems.errors import CycleNotFollowed
from ems.solve.optimum import optimum
from ems.strategies.ecms import Ecms, adaptive
from ems.strategies.rules import load_rules
from ems.strategies.schedule import Schedule
from ems.strategies.simulate import simulate

TOP_MARGIN = 0.003      # a reference may not end at the very top of the window

CHARGEABLE = "-chargeable"
LAYOUTS = [name for name in library.names("layout") if not name.endswith(CHARGEABLE)]


@pytest.mark.long
@pytest.mark.parametrize("cycle", library.names("cycle"))
@pytest.mark.parametrize("layout", LAYOUTS)
def test_strategies_on_every_layout_and_cycle(courses, target_J, layout, cycle):
    try:
        c = courses(layout, cycle)
    except CycleNotFollowed as error:
        pytest.skip(str(error))
    battery = c.plant.layout.battery
    for strategy in (load_rules(c.plant.layout, plant=c.plant), Ecms(2.6), adaptive()):
        run = simulate(c.plant.layout, c.cycle, strategy, course=c)
        soc = np.asarray(run.trace.columns["soc_end"])
        assert battery.soc_low <= soc.min() and soc.max() <= battery.soc_high
        end = min(run.soc_end, battery.soc_high - TOP_MARGIN)
        best = optimum(c.plant.layout, c.cycle, charge=(run.soc_start, end))
        assert run.objective_g >= best.lower_bound_g * (1.0 - max(best.table_error_percent, 0.02) / 100.0)
        assert abs(run.energy_residual_percent) < 1e-6
        again = simulate(c.plant.layout, c.cycle, Schedule(run.node, run.choice), course=c)
        assert again.corrections == {} and again.objective_g == pytest.approx(run.objective_g, rel=1e-9)


@pytest.mark.long
def test_default_rules_within_8_percent_of_the_optimum(courses):
    """The goal set for the untuned default on the WLTC."""
    c = courses("three-clutch", "wltc-3b")
    run = simulate(c.plant.layout, c.cycle, "rules", course=c)
    best = optimum(c.plant.layout, c.cycle, charge=(run.soc_start, run.soc_end))
    assert run.objective_g <= 1.08 * best.lower_bound_g
