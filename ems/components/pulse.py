"""How much a battery or a machine may give for how long: rules between the few durations a data sheet states.

Data sheets give power for 2 s, for 10 s and without end. Between and beyond them these rules hold; that what is spent above
the continuous figure is limited by a fixed amount (of energy, or of heat) is common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np

from ems.types import Array

SHORT_S, LONG_S = 2.0, 10.0
"""Durations of the two pulse powers of a battery."""


def pulse_power_W(duration_s: float, short_W: float, long_W: float, continuous_W: float) -> float:
    """Most constant power for a duration.

    Up to 2 s the short power; from there to 10 s straight in the logarithm of time to the long power; beyond, the energy above
    the continuous power is that of the 10 s pulse: P = continuous + (long - continuous) 10 s / t.
    """
    if duration_s <= SHORT_S:
        return short_W
    if duration_s <= LONG_S:
        return short_W + (long_W - short_W) * math.log(duration_s / SHORT_S) / math.log(LONG_S / SHORT_S)
    return continuous_W + (long_W - continuous_W) * LONG_S / duration_s


def pulse_use(power_W: Array, dt_s: Array, long_W: float, continuous_W: float) -> Array:
    """(K+1,) share of the 10 s pulse's energy above the continuous power that is in use, from nothing at the start.

    power_W : (K,) magnitude of the power in each interval of length dt_s : (K,)
    It fills by what exceeds the continuous power, drains by what falls short of it, and never below nothing. Above 1 a trip
    asks for more than the data sheet promises. Nothing throughout where the two powers are equal.
    """
    room_J = (long_W - continuous_W) * LONG_S
    used_J = np.zeros(power_W.size + 1)
    if room_J <= 0.0:
        return used_J
    for k, extra_J in enumerate((power_W - continuous_W) * dt_s):
        used_J[k + 1] = max(used_J[k] + extra_J, 0.0)
    return used_J / room_J


def overload(duration_s: float, peak: Array, continuous: Array, peak_time_s: float) -> Array:
    """Most constant torque of a machine for a duration, from its peak and continuous torque.

    Up to ``peak_time_s`` the peak; beyond, the heat above the continuous one is what the peak brings in that time, heat going
    with the square of torque: T^2 = Tc^2 + (Tp^2 - Tc^2) peak_time / t.
    """
    share = min(peak_time_s / duration_s, 1.0) if duration_s > 0.0 else 1.0
    return np.asarray(np.sqrt(continuous**2 + (peak**2 - continuous**2) * share))
