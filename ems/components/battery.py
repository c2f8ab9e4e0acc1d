"""The battery: a voltage source over charge behind a resistance, with limits and a usable window."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from ems.components.checks import check_covered, check_increasing, check_not_rising, check_rows
from ems.components.componentfile import ComponentFile, Opened, open_component
from ems.components.csvfile import Columns
from ems.components.pulse import pulse_power_W, pulse_use
from ems.errors import Mistakes
from ems.inputfile import Number, quantity, raise_capped
from ems.types import Array

COLUMNS = ("soc", "voltage_V", "resistance_discharge_ohm", "resistance_charge_ohm")
LIMIT_COLUMNS = ("discharge_limit_kW", "charge_limit_kW")
TEMPERATURE_COLUMNS = ("temperature_C", "resistance_factor", "discharge_factor", "charge_factor")
REFERENCE_C = 25.0
"""Temperature at which a battery's data are meant unless its file says more; usual on data sheets, no source."""


class BatteryFile(ComponentFile):
    """Keys of a battery file; ``table`` names a CSV file with open-circuit voltage and resistances over charge."""

    table: str = quantity("CSV file beside this one: " + ", ".join(COLUMNS) + "; and where power depends on charge "
                          + ", ".join(LIMIT_COLUMNS), "-")
    capacity_Ah: Number = quantity("charge between empty and full", "Ah", gt=0)
    soc_low: Number = quantity("lower end of the usable window", "-", ge=0, le=1)
    soc_high: Number = quantity("upper end of the usable window", "-", ge=0, le=1)
    soc_target: Number = quantity("state of charge held on average", "-", ge=0, le=1)
    discharge_limit_kW: Number = quantity("most power given at the terminals, for 10 s: the limit of every second of a trip",
                                          "kW", gt=0)
    charge_limit_kW: Number = quantity("most power taken at the terminals, for 10 s (a positive number)", "kW", gt=0)
    discharge_limit_A: Number = quantity("most current given", "A", gt=0)
    charge_limit_A: Number = quantity("most current taken (a positive number)", "A", gt=0)
    discharge_2s_kW: Number | None = quantity("most power given for 2 s; without it the 10 s power", "kW", default=None, gt=0)
    charge_2s_kW: Number | None = quantity("most power taken for 2 s; without it the 10 s power", "kW", default=None, gt=0)
    discharge_continuous_kW: Number | None = quantity("power given without end; without it the 10 s power", "kW", default=None,
                                                      gt=0)
    charge_continuous_kW: Number | None = quantity("power taken without end; without it the 10 s power", "kW", default=None, gt=0)
    temperature_C: Number = quantity("temperature of the battery, the same throughout a trip", "C", default=REFERENCE_C, ge=-60,
                                     le=100)
    temperature: str | None = quantity("CSV file beside this one: " + ", ".join(TEMPERATURE_COLUMNS)
                                       + " (1 where table and limits hold)", "-", default=None)
    mass_kg: Number = quantity("its mass, counted in the vehicle's already", "kg", default=0.0, ge=0)


@dataclass(frozen=True, slots=True, eq=False)
class Battery:
    """Equivalent circuit (Guzzella and Sciarretta, Vehicle Propulsion Systems, chapter on batteries; from memory).

    soc         : (n,) state of charge, strictly increasing within 0..1
    voltage_V   : (n,) open-circuit voltage, positive; linear between the nodes, as are the resistances
    resistance_discharge_ohm, resistance_charge_ohm : (n,) positive
    capacity_As : charge between soc 0 and 1
    soc_low, soc_high, soc_target : usable window within the table, and the charge held on average
    discharge_limit_W, charge_limit_W, discharge_limit_A, charge_limit_A : positive; power is meant at the terminals, for 10 s,
                  the limit in every interval of a trip
    discharge_soc_W, charge_soc_W : (n,) the same over charge, never above the scalars; None where they do not depend on it
    discharge_2s_W, charge_2s_W, discharge_continuous_W, charge_continuous_W : power for 2 s and without end; None: the 10 s power
    temperature_C : scenario; resistances and limits of this object are those at this temperature
    resistance_factor, discharge_factor, charge_factor : what they were multiplied by for it
    mass_kg     : its mass, counted in the vehicle's already
    """

    name: str
    title: str
    soc: Array
    voltage_V: Array
    resistance_discharge_ohm: Array
    resistance_charge_ohm: Array
    capacity_As: float
    soc_low: float
    soc_high: float
    soc_target: float
    discharge_limit_W: float
    charge_limit_W: float
    discharge_limit_A: float
    charge_limit_A: float
    source: str
    invented: bool
    files: tuple[Path, ...]
    discharge_soc_W: Array | None = None
    charge_soc_W: Array | None = None
    discharge_2s_W: float | None = None
    charge_2s_W: float | None = None
    discharge_continuous_W: float | None = None
    charge_continuous_W: float | None = None
    temperature_C: float = REFERENCE_C
    resistance_factor: float = 1.0
    discharge_factor: float = 1.0
    charge_factor: float = 1.0
    mass_kg: float = 0.0

    @property
    def discharge_power_W(self) -> Array:
        """(n,) most power given at the nodes of ``soc``, for 10 s, linear in between."""
        return np.full(self.soc.size, self.discharge_limit_W) if self.discharge_soc_W is None else self.discharge_soc_W

    @property
    def charge_power_W(self) -> Array:
        """(n,) most power taken at the nodes of ``soc``, for 10 s, linear in between; positive."""
        return np.full(self.soc.size, self.charge_limit_W) if self.charge_soc_W is None else self.charge_soc_W

    @property
    def limits_vary(self) -> bool:
        """Whether a limit of power depends on charge."""
        return bool(np.any(self.discharge_power_W < self.discharge_limit_W) or np.any(self.charge_power_W < self.charge_limit_W))

    def discharge_for_W(self, duration_s: float, soc: float | None = None) -> float:
        """Most constant power given for a duration; see ``pulse_power_W`` for the rule.

        soc : charge at which; the powers for all durations fall in the proportion of the 10 s limit there. None: no less than
              the file's figures.
        """
        share = 1.0 if soc is None else float(self.shares(soc)[0])
        return share * _for_W(duration_s, self.discharge_2s_W, self.discharge_limit_W, self.discharge_continuous_W)

    def charge_for_W(self, duration_s: float, soc: float | None = None) -> float:
        """Most constant power taken for a duration, positive; as ``discharge_for_W``."""
        share = 1.0 if soc is None else float(self.shares(soc)[1])
        return share * _for_W(duration_s, self.charge_2s_W, self.charge_limit_W, self.charge_continuous_W)

    def shares(self, soc: ArrayLike) -> tuple[Array, Array]:
        """Power given and power taken at states of charge, over the most that the file has; any shape."""
        at = np.asarray(soc, dtype=np.float64)
        return (np.asarray(np.interp(at, self.soc, self.discharge_power_W)) / self.discharge_limit_W,
                np.asarray(np.interp(at, self.soc, self.charge_power_W)) / self.charge_limit_W)

    def pulse_use(self, power_W: Array, dt_s: Array, soc: Array | None = None) -> Array:
        """(K+1,) share of the 10 s pulse in use over a trip; above 1 the trip asks for more than the continuous power allows.

        power_W : (K,) at the terminals, positive when given; giving and taking have a pulse each, the fuller one counts.
        soc     : (K,) charge at which, as in ``discharge_for_W``
        """
        shares = (np.ones(1), np.ones(1)) if soc is None else self.shares(soc)
        given = pulse_use(np.maximum(power_W, 0.0) / shares[0], dt_s, self.discharge_limit_W, self.discharge_for_W(math.inf))
        taken = pulse_use(np.maximum(-power_W, 0.0) / shares[1], dt_s, self.charge_limit_W, self.charge_for_W(math.inf))
        return np.maximum(given, taken)

    @property
    def node_energy_J(self) -> Array:
        """(n,) stored energy at the nodes of ``soc``; zero at the first."""
        mean_V = 0.5 * (self.voltage_V[1:] + self.voltage_V[:-1])
        return np.concatenate([[0.0], np.cumsum(self.capacity_As * mean_V * np.diff(self.soc))])

    def energy_J(self, soc: ArrayLike) -> Array:
        """Stored energy [J]: capacity times the integral of open-circuit voltage from ``soc[0]``; any shape.

        Exact, as voltage is linear in each piece. Raises ``ValueError`` outside the table.
        """
        at = self._inside(np.asarray(soc, dtype=np.float64), self.soc, "state of charge")
        i = np.clip(np.searchsorted(self.soc, at, side="right") - 1, 0, self.soc.size - 2)
        x = at - self.soc[i]
        energy: Array = self.node_energy_J[i] + self.capacity_As * x * (self.voltage_V[i] + 0.5 * self._slope_V[i] * x)
        return energy

    def soc_at(self, energy_J: ArrayLike) -> Array:
        """State of charge at a stored energy: the inverse of ``energy_J``, in closed form.

        In a piece e = V x + m x^2 / 2 (per unit of capacity), so x = 2 e / (V + sqrt(V^2 + 2 m e)), which holds for
        m = 0 too. Raises ``ValueError`` outside the table.
        """
        nodes = self.node_energy_J
        at = self._inside(np.asarray(energy_J, dtype=np.float64), nodes, "stored energy")
        i = np.clip(np.searchsorted(nodes, at, side="right") - 1, 0, nodes.size - 2)
        e = (at - nodes[i]) / self.capacity_As
        root_V = np.sqrt(np.maximum(self.voltage_V[i] ** 2 + 2.0 * self._slope_V[i] * e, 0.0))
        soc: Array = self.soc[i] + 2.0 * e / (self.voltage_V[i] + root_V)
        return soc

    @property
    def _slope_V(self) -> Array:
        slope: Array = np.diff(self.voltage_V) / np.diff(self.soc)
        return slope

    @staticmethod
    def _inside(values: Array, nodes: Array, what: str) -> Array:
        """The values, rounding errors at the ends removed."""
        slack = 1e-9 * (nodes[-1] - nodes[0])
        if not np.all((values >= nodes[0] - slack) & (values <= nodes[-1] + slack)):
            raise ValueError(f"{what} outside the table: {values}, table {nodes[0]:g} to {nodes[-1]:g}")
        clipped: Array = np.clip(values, nodes[0], nodes[-1])
        return clipped


def _for_W(duration_s: float, short_W: float | None, long_W: float, continuous_W: float | None) -> float:
    return pulse_power_W(duration_s, long_W if short_W is None else short_W, long_W,
                         long_W if continuous_W is None else continuous_W)


def load_battery(
    word: object, *, where: str, key: str, beside: Path | None = None, overrides: Mapping[str, object] | None = None
) -> Battery:
    """A battery by short name, path or table (see ``open_component``), at the temperature it names.

    Raises ``InputError`` with every mistake in the file, its table and its curve over temperature.
    """
    opened = open_component("battery", word, BatteryFile, where=where, key=key, beside=beside, overrides=overrides)
    data, mistakes = opened.data, Mistakes()
    table = opened.read_csv("table", COLUMNS, LIMIT_COLUMNS, mistakes=mistakes)
    curve = opened.read_csv("temperature", TEMPERATURE_COLUMNS, mistakes=mistakes)
    if table is not None:
        check_table(table, mistakes)
        _check_limits_over_charge(opened, table, mistakes)
    if curve is not None:
        check_temperature(curve, mistakes)
    _check_window(opened, table, mistakes)
    _check_pulses(opened, mistakes)
    resistance, discharge, charge = _factors(opened, curve, mistakes)
    raise_capped(mistakes)
    assert table is not None
    battery = Battery(
        name=opened.name, title=opened.title, soc=table["soc"], voltage_V=table["voltage_V"],
        resistance_discharge_ohm=resistance * table["resistance_discharge_ohm"],
        resistance_charge_ohm=resistance * table["resistance_charge_ohm"], capacity_As=3600.0 * data.capacity_Ah,
        soc_low=data.soc_low, soc_high=data.soc_high, soc_target=data.soc_target,
        discharge_limit_W=discharge * 1e3 * data.discharge_limit_kW, charge_limit_W=charge * 1e3 * data.charge_limit_kW,
        discharge_limit_A=discharge * data.discharge_limit_A, charge_limit_A=charge * data.charge_limit_A,
        source=opened.source, invented=data.invented or any(t.invented for t in (table, curve) if t is not None),
        files=(*opened.files, *opened.csv_paths("table", "temperature")),
        discharge_soc_W=_over_charge(table, "discharge_limit_kW", discharge),
        charge_soc_W=_over_charge(table, "charge_limit_kW", charge),
        discharge_2s_W=_pulse(data.discharge_2s_kW, discharge), charge_2s_W=_pulse(data.charge_2s_kW, charge),
        discharge_continuous_W=_pulse(data.discharge_continuous_kW, discharge),
        charge_continuous_W=_pulse(data.charge_continuous_kW, charge), temperature_C=data.temperature_C,
        resistance_factor=resistance, discharge_factor=discharge, charge_factor=charge, mass_kg=data.mass_kg,
    )
    _check_power(opened, battery, mistakes)
    raise_capped(mistakes)
    return battery


def _over_charge(table: Columns, column: str, factor: float) -> Array | None:
    return factor * 1e3 * table[column] if column in table else None


def _pulse(power_kW: float | None, factor: float) -> float | None:
    return None if power_kW is None else factor * 1e3 * power_kW


def _factors(opened: Opened[BatteryFile], curve: Columns | None, mistakes: Mistakes) -> tuple[float, float, float]:
    """What resistance, discharge and charge limits are multiplied by at the battery's temperature; linear between the rows."""
    at = opened.data.temperature_C
    if curve is None:
        if at != REFERENCE_C and opened.data.temperature is None:
            mistakes.add(*opened.place("temperature_C"), f"{at:g} C without a curve over temperature",
                         f"{REFERENCE_C:g} C, or the key temperature with a CSV file: {', '.join(TEMPERATURE_COLUMNS)}")
        return 1.0, 1.0, 1.0
    axis = curve["temperature_C"]
    check_covered(opened.place("temperature_C"), at, "C", *curve.range("temperature_C"), curve.where, mistakes)
    resistance, discharge, charge = (float(np.interp(at, axis, curve[name])) for name in TEMPERATURE_COLUMNS[1:])
    return resistance, discharge, charge


def check_table(table: Columns, mistakes: Mistakes) -> None:
    """Charge from 0 to 1, everything else above zero."""
    check_increasing(table, "soc", mistakes)
    check_rows(table, "soc", (table["soc"] < 0) | (table["soc"] > 1), "a state of charge from 0 to 1", mistakes)
    for column in (*COLUMNS[1:], *(c for c in LIMIT_COLUMNS if c in table)):
        check_rows(table, column, table[column] <= 0, "more than zero", mistakes)


def check_temperature(curve: Columns, mistakes: Mistakes) -> None:
    """Factors over temperature: positive; resistance never rising as it gets warmer."""
    check_increasing(curve, "temperature_C", mistakes)
    for column in TEMPERATURE_COLUMNS[1:]:
        check_rows(curve, column, curve[column] <= 0, "more than zero", mistakes)
    check_not_rising(curve, "resistance_factor", "of the colder row before", mistakes)


def _check_limits_over_charge(opened: Opened[BatteryFile], table: Columns, mistakes: Mistakes) -> None:
    for column in LIMIT_COLUMNS:
        if column in table:
            most = float(getattr(opened.data, column))
            check_rows(table, column, table[column] > most, f"at most {most:g}, {column} of {opened.where}", mistakes)


def _check_pulses(opened: Opened[BatteryFile], mistakes: Mistakes) -> None:
    """A shorter pulse is never weaker."""
    for way in ("discharge", "charge"):
        long_kW = getattr(opened.data, f"{way}_limit_kW")
        short_kW, lasting_kW = getattr(opened.data, f"{way}_2s_kW"), getattr(opened.data, f"{way}_continuous_kW")
        if short_kW is not None and short_kW < long_kW:
            mistakes.add(*opened.place(f"{way}_2s_kW"), f"{short_kW:g} kW", f"at least the 10 s power {way}_limit_kW, {long_kW:g} kW")
        if lasting_kW is not None and lasting_kW > long_kW:
            mistakes.add(*opened.place(f"{way}_continuous_kW"), f"{lasting_kW:g} kW",
                         f"at most the 10 s power {way}_limit_kW, {long_kW:g} kW")


def _check_window(opened: Opened[BatteryFile], table: Columns | None, mistakes: Mistakes) -> None:
    data = opened.data
    if data.soc_low >= data.soc_high:
        mistakes.add(*opened.place("soc_low"), f"{data.soc_low:g} with soc_high {data.soc_high:g} (upside down)",
                     "a lower end below the upper end")
    elif not data.soc_low <= data.soc_target <= data.soc_high:
        mistakes.add(*opened.place("soc_target"), f"{data.soc_target:g}",
                     f"a target within the window {data.soc_low:g} to {data.soc_high:g}")
    if table is not None:
        low, high = table.range("soc")
        for name in ("soc_low", "soc_high"):
            value = getattr(data, name)
            if value < low or value > high:
                mistakes.add(*opened.place(name), f"{value:g}",
                             f"{low:g} to {high:g}, the range of {table.where}: tables are not extrapolated")


def _check_power(opened: Opened[BatteryFile], battery: Battery, mistakes: Mistakes) -> None:
    """Power given must be within V^2/4R, the most that a voltage behind a resistance can give.

    The 2 s power is only capped by it wherever it is used; the limit of every second must hold all over the window.
    """
    soc, limit_W, most_W = weakest_point(battery)
    if limit_W > most_W:
        cold = "" if battery.resistance_factor == 1.0 else f" and {battery.temperature_C:g} C"
        mistakes.add(*opened.place("discharge_limit_kW"), f"{limit_W / 1e3:.4g} kW at charge {soc:.3g}",
                     f"at most {most_W / 1e3:.4g} kW, which is V^2/4R at this charge in the window{cold}")


def weakest_point(battery: Battery) -> tuple[float, float, float]:
    """(soc, limit W, V^2/4R W) where the limit of discharge comes nearest V^2/4R, or exceeds it most, within the window.

    Between the nodes limit, V and R are linear in charge, so V^2 - 4 R limit is a parabola: it is least at an end or its vertex.
    """
    breaks = np.unique(np.concatenate([[battery.soc_low, battery.soc_high], battery.soc]))
    breaks = breaks[(breaks >= battery.soc_low) & (breaks <= battery.soc_high)]
    voltage, resistance, limit = (np.interp(breaks, battery.soc, y) for y in (
        battery.voltage_V, battery.resistance_discharge_ohm, battery.discharge_power_W))
    bend = np.diff(voltage) ** 2 - 4.0 * np.diff(resistance) * np.diff(limit)
    slope = 2.0 * voltage[:-1] * np.diff(voltage) - 4.0 * (resistance[:-1] * np.diff(limit) + limit[:-1] * np.diff(resistance))
    t = -slope / np.where(bend > 0.0, 2.0 * bend, 1.0)
    inner = (bend > 0.0) & (t > 0.0) & (t < 1.0)
    soc = np.concatenate([breaks, (breaks[:-1] + t * np.diff(breaks))[inner]])
    at_voltage, at_resistance, at_limit = (np.interp(soc, battery.soc, y) for y in (
        battery.voltage_V, battery.resistance_discharge_ohm, battery.discharge_power_W))
    i = int(np.argmin(at_voltage**2 - 4.0 * at_resistance * at_limit))
    return float(soc[i]), float(at_limit[i]), float(at_voltage[i] ** 2 / (4.0 * at_resistance[i]))
