"""Figures with error bars: what an optimum proves about itself, and differences of two of them."""

from __future__ import annotations

from dataclasses import dataclass

from ems.solve.optimum import Optimum


@dataclass(frozen=True, slots=True)
class Bar:
    """A figure known to lie between two values.

    value : of the trip that was found      low, high : what the certificate and finer tables leave
    """

    value: float
    low: float
    high: float

    def __add__(self, other: Bar) -> Bar:
        return Bar(self.value + other.value, self.low + other.low, self.high + other.high)

    def __sub__(self, other: Bar) -> Bar:
        return Bar(self.value - other.value, self.low - other.high, self.high - other.low)

    def __mul__(self, factor: float) -> Bar:
        ends = self.low * factor, self.high * factor
        return Bar(self.value * factor, min(ends), max(ends))

    def at_least(self, other: Bar) -> Bar:
        """What is left of the figure once it is known to be no less than another."""
        return Bar(max(self.value, other.value), max(self.low, other.low), max(self.high, other.high))

    @property
    def half(self) -> float:
        """The larger of the two sides."""
        return max(self.high - self.value, self.value - self.low)

    @property
    def holds_zero(self) -> bool:
        """Whether nothing at all lies within the bar: a tie, when the figure is a difference."""
        return self.low <= 0.0 <= self.high

    def overlaps(self, other: Bar) -> bool:
        """Whether the two figures could be the same."""
        return self.low <= other.high and other.low <= self.high


def litres_per_100km(found: Optimum) -> Bar:
    """Least fuel and its bar [l/100 km]: no trip on the tables needs less than the lower bound, nor finer tables than they could take off.

    Prices of starts and changes count, since the bound is one on fuel and prices together.
    """
    per_gram = 100.0 / found.layout.engine.engine.fuel.density_g_l / found.distance_km
    value = found.objective_g * per_gram
    return Bar(value, value * (1.0 - (found.gap_percent + found.table_error_percent) / 100.0), value)
