"""Car speeds at which every speed limit of a configuration can be kept."""

from __future__ import annotations

import itertools
import math

from ems.configurations.model import Configuration
from ems.layout.model import Layout

TOP_KMH = 500.0  # no car is faster; keeps the range finite where no limit does
_SLACK = 1e-9   # relative, so that limits that meet exactly are not lost to rounding


def speed_range_kmh(layout: Layout, c: Configuration) -> tuple[float, float] | None:
    """Lowest and highest car speed [km/h], or None when no speed keeps all limits.

    Two unknowns at most (wheel speed and free engine speed) and linear limits: the extremes are corners.
    """
    limits = _limits(layout, c)
    corners = [p for first, second in itertools.combinations(limits, 2) if (p := _crossing(first, second)) is not None]
    inside = [w for w, f in corners if all(_kept(limit, w, f) for limit in limits)]
    if not inside:
        return None
    to_kmh = layout.vehicle.wheel_radius_m * 3.6
    return max(0.0, min(inside)) * to_kmh, max(inside) * to_kmh


Limit = tuple[float, float, float]      # a, b, c: a * wheel speed + b * free speed <= c


def _limits(layout: Layout, c: Configuration) -> list[Limit]:
    rows = [(float(s.wheel), float(s.free), s.low_rad_s, s.high_rad_s) for s in c.speed_limits]
    if c.free_speed is None and not c.idling:
        rows.append((0.0, 1.0, 0.0, 0.0))
    top = TOP_KMH / 3.6 / layout.vehicle.wheel_radius_m
    rows.append((1.0, 0.0, 0.0, top))
    limits = [limit for a, b, low, high in rows for limit in ((a, b, high), (-a, -b, -low))]
    return [limit for limit in limits if limit[2] < math.inf]


def _crossing(first: Limit, second: Limit) -> tuple[float, float] | None:
    determinant = first[0] * second[1] - second[0] * first[1]
    if determinant == 0.0:
        return None
    return ((first[2] * second[1] - second[2] * first[1]) / determinant,
            (first[0] * second[2] - second[0] * first[2]) / determinant)


def _kept(limit: Limit, wheel: float, free: float) -> bool:
    a, b, c = limit
    scale = math.fsum([abs(a * wheel), abs(b * free), abs(c), 1.0])
    return a * wheel + b * free <= c + _SLACK * scale
