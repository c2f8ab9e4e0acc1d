"""Whether a trip asks more of the battery than its data promise for longer than ten seconds."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass

import numpy as np

from ems.plant.trace import Trace
from ems.types import Array


@dataclass(frozen=True, slots=True)
class BatteryUse:
    """Power at the terminals held against what the battery gives and takes for a duration (the rule stands in ``components/pulse``).

    above_continuous_s, above_2s_s : seconds above the continuous and above the 2 s power at the charge of the second, either way
    pulse_use_percent : most of the 10 s pulse that was in use      overdrawn_s : seconds in which it was more than the whole
    Power for changes of configuration is not in it: it is drawn from the store at once.
    """

    above_continuous_s: float
    above_2s_s: float
    pulse_use_percent: float
    overdrawn_s: float

    def to_dict(self) -> dict[str, float]:
        """The figures by their names."""
        return asdict(self)


def battery_use(trace: Trace) -> BatteryUse:
    """What a driven trip asks of the battery; a battery without pulse or continuous figures has its 10 s power for them."""
    battery, dt_s = trace.plant.layout.battery, trace.demand.dt_s
    power_W = 1e3 * np.asarray(trace.columns["battery_power_kW"], float)
    soc = np.asarray(trace.columns["soc_start"], float)
    use = battery.pulse_use(power_W, dt_s, soc)
    return BatteryUse(above_continuous_s=_above_s(trace, power_W, soc, math.inf), above_2s_s=_above_s(trace, power_W, soc, 2.0),
                      pulse_use_percent=100.0 * float(use.max()), overdrawn_s=float(dt_s[use[1:] > 1.0 + 1e-9].sum()))


def _above_s(trace: Trace, power_W: Array, soc: Array, duration_s: float) -> float:
    battery = trace.plant.layout.battery
    given, taken = battery.shares(soc)
    above = power_W > given * battery.discharge_for_W(duration_s) * (1.0 + 1e-9)
    above |= -power_W > taken * battery.charge_for_W(duration_s) * (1.0 + 1e-9)
    return float(trace.demand.dt_s[above].sum())
