"""Battery: an open-circuit voltage behind a resistance.

Guzzella & Sciarretta, Vehicle Propulsion Systems, ch. 4; from memory.
P = V I - R I^2 at the terminals and p = V I inside give p = 2 P / (1 + sqrt(1 - 4 P x)) with x = R / V^2. In stored
energy e (de = -p dt) the state of charge is not needed: V^2 is piecewise linear in e where V is so in charge.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from ems.kernels.jit import compiled, compiled_inline
from ems.kernels.lookup import at


class BatteryArrays(NamedTuple):
    """Battery at its knots, in stored energy.

    energy_J, soc, voltage_V, discharge_ohm, charge_ohm : (n,) at the knots of the file
    capacity_As : charge of the whole battery
    low_J, high_J : usable window
    discharge_W, charge_W : (n,) terminal power limits at the knots, both positive
    discharge_A, charge_A : current limits, both positive
    """

    energy_J: Any
    soc: Any
    voltage_V: Any
    discharge_ohm: Any
    charge_ohm: Any
    capacity_As: float
    low_J: float
    high_J: float
    discharge_W: Any
    charge_W: Any
    discharge_A: float
    charge_A: float


@compiled
def state(b: BatteryArrays, e: float) -> tuple[float, float, float, float]:
    """(soc, voltage, discharge resistance, charge resistance) at stored energy e, exact between the knots."""
    i, last = 0, b.energy_J.size - 2
    while i < last and e > b.energy_J[i + 1]:
        i += 1
    width = b.soc[i + 1] - b.soc[i]
    slope = (b.voltage_V[i + 1] - b.voltage_V[i]) / width
    v0 = b.voltage_V[i]
    charge = (e - b.energy_J[i]) / b.capacity_As
    v = math.sqrt(max(v0 * v0 + 2.0 * slope * charge, 1e-12))
    rise = 2.0 * charge / (v0 + v)
    share = rise / width
    rd = b.discharge_ohm[i] + share * (b.discharge_ohm[i + 1] - b.discharge_ohm[i])
    rc = b.charge_ohm[i] + share * (b.charge_ohm[i + 1] - b.charge_ohm[i])
    return b.soc[i] + rise, v, rd, rc


@compiled_inline
def electrochemical(P: float, x: float) -> float:
    """Electrochemical power for terminal power P and x = R / V^2; inf where the battery cannot give P."""
    root = 1.0 - 4.0 * P * x
    if root < 0.0:
        return math.inf
    return 2.0 * P / (1.0 + math.sqrt(root))


@compiled
def power_limits(b: BatteryArrays, soc: float, v: float, rd: float, rc: float) -> tuple[float, float]:
    """(most charging, negative; most discharging) terminal power at this charge, voltage and these resistances [W]."""
    most = min(at(b.soc, b.soc.size, b.discharge_W, soc), v * v / (4.0 * rd))
    current = min(b.discharge_A, v / (2.0 * rd))
    most = min(most, v * current - rd * current * current)
    least = -min(at(b.soc, b.soc.size, b.charge_W, soc), v * b.charge_A + rc * b.charge_A * b.charge_A)
    return least, most
