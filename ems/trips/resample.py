"""Bring a speed trace with any steps to steps of one second, keeping its distance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ems.types import Array

SAME_TIME_S = 1e-6      # times closer than this are the same
LARGEST_FACTOR = 0.02   # a speed factor farther from 1 is worth a warning


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Samples of a trip, straight lines in between (the auxiliary load: steps).

    time_s : (n,) [s] increasing strictly      speed_m_s : (n,) [m/s]
    grade  : (n,) rise over run [-]            auxiliary_W : (n,) [W], each value holds until the next sample
    """

    time_s: Array
    speed_m_s: Array
    grade: Array
    auxiliary_W: Array


def is_uniform(time_s: Array) -> bool:
    """Whether all steps are one second."""
    return bool(np.all(np.abs(np.diff(time_s) - 1.0) < SAME_TIME_S))


def distance_m(time_s: Array, speed_m_s: Array) -> float:
    """Distance of straight lines between samples: the trapezoid rule is exact [m]."""
    return float(np.sum(0.5 * (speed_m_s[1:] + speed_m_s[:-1]) * np.diff(time_s)))


def seconds(trace: Trace) -> Array:
    """Whole seconds from the first sample on [s]: the last one completed when the trace ends at rest, else left off."""
    duration = float(trace.time_s[-1] - trace.time_s[0])
    whole = int(np.floor(duration + SAME_TIME_S))
    rest = duration - whole > SAME_TIME_S
    steps = whole + 1 if rest and trace.speed_m_s[-1] == 0.0 else whole
    return float(trace.time_s[0]) + np.arange(steps + 1, dtype=np.float64)


def to_seconds(trace: Trace) -> tuple[Trace, float]:
    """The trace in steps of one second, and the factor on speed that keeps its distance.

    Speed and grade are read off the straight lines at whole seconds; then every speed is multiplied by the one factor
    for which the trapezoid distance is that of the trace (up to where the seconds end). The auxiliary load of a second
    is its mean, so that its energy is kept. The trace must last a second at least.
    """
    time = seconds(trace)
    speed = np.interp(time, trace.time_s, trace.speed_m_s)
    wanted = distance_m(*_until(trace, float(time[-1])))
    drawn = distance_m(time, speed)
    factor = wanted / drawn if drawn > 0.0 else 1.0
    return Trace(
        time_s=time,
        speed_m_s=speed * factor,
        grade=np.interp(time, trace.time_s, trace.grade),
        auxiliary_W=_mean_load(trace, time),
    ), factor


def _until(trace: Trace, end_s: float) -> tuple[Array, Array]:
    """Times and speeds of the trace up to ``end_s``; a trace that ends before is left as it is."""
    inside = trace.time_s < end_s
    end = min(end_s, float(trace.time_s[-1]))
    speed = float(np.interp(end, trace.time_s, trace.speed_m_s))
    return np.append(trace.time_s[inside], end), np.append(trace.speed_m_s[inside], speed)


def _mean_load(trace: Trace, time: Array) -> Array:
    """Mean auxiliary load from each second to the next, the last second's value repeated at the end [W]."""
    knots = np.append(trace.time_s, max(float(time[-1]), float(trace.time_s[-1])) + 1.0)
    energy = np.concatenate(([0.0], np.cumsum(trace.auxiliary_W * np.diff(knots))))
    mean = np.diff(np.interp(time, knots, energy))
    return np.append(mean, mean[-1])
