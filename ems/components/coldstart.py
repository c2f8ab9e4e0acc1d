"""An engine that starts cold: its temperature, and what it burns more than when warm.

One temperature stands for block, oil and coolant. Fuel follows the warm map times a factor that falls with temperature,
since friction follows the oil's viscosity; the temperature follows C dT/dt = share of the fuel's energy - loss to the
surroundings, and a thermostat holds it where the engine is warm. The form is that of R. Lescot, A. Sciarretta,
Y. Chamaillard and A. Charlet, On the integration of optimal energy management and thermal management of hybrid electric
vehicles, IEEE Vehicle Power and Propulsion Conference 2010 (from memory).
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from ems.components.checks import check_covered, check_increasing, check_not_rising, check_rows
from ems.components.componentfile import Table
from ems.components.csvfile import Columns
from ems.errors import Mistakes
from ems.inputfile import Number, quantity
from ems.types import Array

COLUMNS = ("engine_C", "fuel_factor")
TEST_CELL_C = 23.0
"""Temperature at which a WLTP test starts (UN GTR 15, Annex 6: 23 degrees; from memory)."""


class ColdTable(Table):
    """What an engine file says under ``cold``."""

    curve: str = quantity("CSV file beside this one: engine_C, fuel_factor (falling, 1 where the engine is warm)", "-")
    start_C: Number = quantity("temperature of engine and surroundings at the start", "C", default=TEST_CELL_C, ge=-60, le=200)
    heat_capacity_kJ_K: Number = quantity("heat that warms engine, oil and coolant by one kelvin", "kJ/K", gt=0, le=10_000)
    heat_share: Number = quantity("share of the fuel's energy that warms them", "-", gt=0, lt=1)
    heat_loss_W_K: Number = quantity("heat lost to the surroundings, by kelvin above them", "W/K", ge=0, le=10_000)


@dataclass(frozen=True, slots=True, eq=False)
class ColdStart:
    """How an engine warms up.

    temperature_C     : (h,) strictly increasing; the engine is warm at the last
    fuel_factor       : (h,) fuel rate over that of the warm engine: never rising, 1 at the last; linear in between
    start_C           : temperature at the start, and of the surroundings
    heat_capacity_J_K : heat that warms the engine by one kelvin
    heat_share        : share of the fuel's energy that warms it
    heat_loss_W_K     : heat lost by kelvin above the surroundings
    """

    temperature_C: Array
    fuel_factor: Array
    start_C: float
    heat_capacity_J_K: float
    heat_share: float
    heat_loss_W_K: float

    @property
    def warm_C(self) -> float:
        """Temperature from which the warm map holds, and at which the thermostat holds the engine."""
        return float(self.temperature_C[-1])

    def scaled(self, k: float) -> ColdStart:
        """The same for an engine of ``k`` times the size: heat in proportion, temperatures and factors as they are."""
        return dataclasses.replace(self, heat_capacity_J_K=k * self.heat_capacity_J_K, heat_loss_W_K=k * self.heat_loss_W_K)

    def factor(self, temperature_C: ArrayLike) -> Array:
        """Fuel rate over that of the warm engine; any shape. Raises ``ValueError`` below the curve's first temperature."""
        at = np.asarray(temperature_C, dtype=np.float64)
        if not np.all(at >= self.temperature_C[0] - 1e-9):
            raise ValueError(f"engine temperature below the curve: {at}, curve from {self.temperature_C[0]:g}")
        return np.interp(at, self.temperature_C, self.fuel_factor)

    def after(self, temperature_C: ArrayLike, fuel_W: ArrayLike, dt_s: ArrayLike) -> Array:
        """Temperature after ``dt_s`` of constant fuel power, exact; shapes broadcast.

        The linear equation's solution runs towards its equilibrium without overshoot, so holding the end at ``warm_C`` is what
        a thermostat does on the way.
        """
        begin, fuel, dt = (np.asarray(x, dtype=np.float64) for x in (temperature_C, fuel_W, dt_s))
        rate = self.heat_loss_W_K / self.heat_capacity_J_K * dt
        shape = np.where(rate > 1e-12, -np.expm1(-rate) / np.where(rate > 1e-12, rate, 1.0), 1.0)
        heating_K = (self.heat_share * fuel - self.heat_loss_W_K * (begin - self.start_C)) / self.heat_capacity_J_K * dt
        return np.minimum(begin + heating_K * shape, self.warm_C)

    def schedule(self, time_s: ArrayLike, fuel_W: float) -> Array:
        """Factor over time since a start at ``start_C`` when fuel power is constant: never rising; any shape.

        With the greatest power the engine can burn, no engine is warmer at any time: the factor is then never above that of
        any operation, and a bound built on it holds for all.
        """
        return self.factor(self.after(self.start_C, fuel_W, time_s))

    def driven(self, fuel_W: Array, dt_s: Array) -> Array:
        """(K,) factor at the middle of each interval of a trip that starts at ``start_C``.

        fuel_W : (K,) fuel power that the warm engine would burn; what the cold one burns is the factor times as much, and warms it
        dt_s : (K,)      The factor rises again where the engine stands for long.
        """
        temperature, out = self.start_C, np.empty(fuel_W.size)
        for k in range(fuel_W.size):
            burnt_W = float(self.factor(temperature)) * fuel_W[k]
            out[k] = self.factor(self.after(temperature, burnt_W, 0.5 * dt_s[k]))
            temperature = float(self.after(temperature, burnt_W, dt_s[k]))
        return out


def check_curve(curve: Columns, mistakes: Mistakes) -> None:
    """A factor that never rises with temperature and ends at 1."""
    check_increasing(curve, "engine_C", mistakes)
    factor = curve["fuel_factor"]
    check_not_rising(curve, "fuel_factor", "of the colder row before", mistakes)
    check_rows(curve, "fuel_factor", factor < 1, "1 or more, the fuel rate over that of the warm engine", mistakes)
    if factor[-1] > 1:
        mistakes.add(curve.where, curve.place(-1, "fuel_factor"), f"{factor[-1]:g}", "1 in the last row, where the engine is warm")


def cold_start(data: ColdTable, curve: Columns, start_place: tuple[str, str], mistakes: Mistakes) -> ColdStart:
    """The warming-up of an engine from its table and curve; what is wrong goes to ``mistakes``.

    start_place : where ``start_C`` came from, for the message
    """
    check_curve(curve, mistakes)
    check_covered(start_place, data.start_C, "C", *curve.range("engine_C"), curve.where, mistakes)
    return ColdStart(
        temperature_C=curve["engine_C"], fuel_factor=curve["fuel_factor"], start_C=data.start_C,
        heat_capacity_J_K=1e3 * data.heat_capacity_kJ_K, heat_share=data.heat_share, heat_loss_W_K=data.heat_loss_W_K,
    )
