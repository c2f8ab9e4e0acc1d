"""What a trip asks of the battery beyond ten seconds, against trips reckoned by hand; and where it is told.

Source: the rule of `ems/components/pulse.py` (the energy above the continuous power is that of the 10 s pulse); common practice, no source.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from ems.components.battery import load_battery
from ems.plant.battery_use import BatteryUse, battery_use
from ems.present.optimum_text import battery_words


def trip(battery, power_kW, dt_s, soc=0.55):
    """What `battery_use` looks at in a trace."""
    power = np.array(power_kW, float)
    return SimpleNamespace(plant=SimpleNamespace(layout=SimpleNamespace(battery=battery)),
                           demand=SimpleNamespace(dt_s=np.full(power.size, dt_s)),
                           columns={"battery_power_kW": power, "soc_start": np.full(power.size, soc)})


def test_by_hand():
    """70 kW for 2 s, 60 for 10 s, 30 without end; taking 58, 50 and 25. 300 kJ given and 250 taken above the continuous power are
    the pulse: 8 s at 60 kW bring 240 kJ, 5 s at 45 kW 75 more, one second too many; 4 s at -50 kW are 100 of
    250 kJ. Nothing is above 2 s power."""
    battery = load_battery("hybrid-1k5", where="t", key="b")
    found = battery_use(trip(battery, [60] * 8 + [45] * 5 + [0] * 20 + [-50] * 4, 1.0))
    assert found == BatteryUse(17.0, 0.0, pytest.approx(105.0), 1.0)
    assert battery_use(trip(battery, [71.0, -59.0, 30.0, -25.0], 1.0)).above_2s_s == 2.0
    assert battery_use(trip(battery, [30.0, -25.0] * 100, 1.0)) == BatteryUse(0.0, 0.0, 0.0, 0.0)


def test_power_falls_with_charge():
    """The chargeable battery gives 58.6 kW for 10 s at its target and 110 at most: there 60 kW without end become 32, and a power of 40 is
    above, which at half charge it is not."""
    battery = load_battery("chargeable-18k", where="t", key="b")
    share = float(np.interp(battery.soc_target, battery.soc, battery.discharge_power_W)) / battery.discharge_limit_W
    assert 60 * share < 40 < 60
    assert battery_use(trip(battery, [40.0] * 5, 1.0, battery.soc_target)).above_continuous_s == 5.0
    assert battery_use(trip(battery, [40.0] * 5, 1.0, 0.5)).above_continuous_s == 0.0
    full = battery_use(trip(battery, [110.0 * share] * 10, 1.0, battery.soc_target))
    assert full.pulse_use_percent == pytest.approx(100.0) and full.overdrawn_s == 0.0


def test_told_where_it_says_something():
    assert battery_words(BatteryUse(65.0, 0.0, 46.0, 0.0)) == ""
    assert battery_words(BatteryUse(65.0, 0.0, 80.2, 0.0)) == "65 s above its continuous power, up to 80 % of its ten-second pulse in use"
    overdrawn = battery_words(BatteryUse(65.0, 0.0, 140.0, 12.0))
    assert overdrawn.endswith("140 % of its ten-second pulse in use: for 12 s more than its data promise")
