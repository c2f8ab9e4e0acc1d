"""The battery: a voltage source over charge behind a resistance, with limits and a usable window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike

from ems.components.checks import check_increasing, check_rows
from ems.components.componentfile import ComponentFile, Opened, open_component
from ems.components.csvfile import Columns
from ems.errors import Mistakes
from ems.inputfile import Number, quantity, raise_capped
from ems.types import Array

COLUMNS = ("soc", "voltage_V", "resistance_discharge_ohm", "resistance_charge_ohm")


class BatteryFile(ComponentFile):
    """Keys of a battery file; ``table`` names a CSV file with open-circuit voltage and resistances over charge."""

    table: str = quantity("CSV file beside this one: " + ", ".join(COLUMNS), "-")
    capacity_Ah: Number = quantity("charge between empty and full", "Ah", gt=0)
    soc_low: Number = quantity("lower end of the usable window", "-", ge=0, le=1)
    soc_high: Number = quantity("upper end of the usable window", "-", ge=0, le=1)
    soc_target: Number = quantity("state of charge held on average", "-", ge=0, le=1)
    discharge_limit_kW: Number = quantity("most power given at the terminals", "kW", gt=0)
    charge_limit_kW: Number = quantity("most power taken at the terminals (a positive number)", "kW", gt=0)
    discharge_limit_A: Number = quantity("most current given", "A", gt=0)
    charge_limit_A: Number = quantity("most current taken (a positive number)", "A", gt=0)


@dataclass(frozen=True, slots=True, eq=False)
class Battery:
    """Equivalent circuit (Guzzella and Sciarretta, Vehicle Propulsion Systems, chapter on batteries; from memory).

    soc         : (n,) state of charge, strictly increasing within 0..1
    voltage_V   : (n,) open-circuit voltage, positive; linear between the nodes, as are the resistances
    resistance_discharge_ohm, resistance_charge_ohm : (n,) positive
    capacity_As : charge between soc 0 and 1
    soc_low, soc_high, soc_target : usable window within the table, and the charge held on average
    discharge_limit_W, charge_limit_W, discharge_limit_A, charge_limit_A : positive; power is meant at the terminals
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


def load_battery(
    word: object, *, where: str, key: str, beside: Path | None = None, overrides: Mapping[str, object] | None = None
) -> Battery:
    """A battery by short name, path or table (see ``open_component``).

    Raises ``InputError`` with every mistake in the file and its table.
    """
    opened = open_component("battery", word, BatteryFile, where=where, key=key, beside=beside, overrides=overrides)
    data, mistakes = opened.data, Mistakes()
    table = opened.read_csv("table", COLUMNS, mistakes=mistakes)
    if table is not None:
        _check_table(table, mistakes)
    _check_window(opened, table, mistakes)
    raise_capped(mistakes)
    assert table is not None
    battery = Battery(
        name=opened.name, title=opened.title, soc=table["soc"], voltage_V=table["voltage_V"],
        resistance_discharge_ohm=table["resistance_discharge_ohm"],
        resistance_charge_ohm=table["resistance_charge_ohm"], capacity_As=3600.0 * data.capacity_Ah,
        soc_low=data.soc_low, soc_high=data.soc_high, soc_target=data.soc_target,
        discharge_limit_W=1e3 * data.discharge_limit_kW, charge_limit_W=1e3 * data.charge_limit_kW,
        discharge_limit_A=data.discharge_limit_A, charge_limit_A=data.charge_limit_A,
        source=opened.source, invented=data.invented or table.invented, files=(*opened.files, opened.csv_path("table")),
    )
    _check_power(opened, battery, mistakes)
    raise_capped(mistakes)
    return battery


def _check_table(table: Columns, mistakes: Mistakes) -> None:
    check_increasing(table, "soc", mistakes)
    check_rows(table, "soc", (table["soc"] < 0) | (table["soc"] > 1), "a state of charge from 0 to 1", mistakes)
    for column in COLUMNS[1:]:
        check_rows(table, column, table[column] <= 0, "more than zero", mistakes)


def _check_window(opened: Opened[BatteryFile], table: Columns | None, mistakes: Mistakes) -> None:
    data = opened.data
    if data.soc_low >= data.soc_high:
        mistakes.add(*opened.place("soc_low"), f"{data.soc_low:g} with soc_high {data.soc_high:g} (upside down)",
                     "a lower end below the upper end")
    elif not data.soc_low <= data.soc_target <= data.soc_high:
        mistakes.add(*opened.place("soc_target"), f"{data.soc_target:g}",
                     f"a target within the window {data.soc_low:g} to {data.soc_high:g}")
    if table is not None:
        low, high = table["soc"].min(), table["soc"].max()
        for name in ("soc_low", "soc_high"):
            value = getattr(data, name)
            if not low <= value <= high:
                mistakes.add(*opened.place(name), f"{value:g}",
                             f"{low:g} to {high:g}, the range of {table.where}: tables are not extrapolated")


def _check_power(opened: Opened[BatteryFile], battery: Battery, mistakes: Mistakes) -> None:
    """The discharge limit must be within V^2/4R, the most that a voltage behind a resistance can give."""
    soc, most_W = weakest_point(battery)
    if battery.discharge_limit_W > most_W:
        mistakes.add(*opened.place("discharge_limit_kW"), f"{battery.discharge_limit_W / 1e3:g} kW",
                     f"at most {most_W / 1e3:.4g} kW, which is V^2/4R at charge {soc:.3g} in the window")


def weakest_point(battery: Battery) -> tuple[float, float]:
    """(soc, W) where V^2/4R is least within the usable window.

    In a piece V and R are linear in charge, so V^2/R has an extreme inside only where 2 V' R = V R', a linear equation.
    """
    breaks = np.unique(np.concatenate([[battery.soc_low, battery.soc_high], battery.soc]))
    breaks = breaks[(breaks >= battery.soc_low) & (breaks <= battery.soc_high)]
    voltage = np.interp(breaks, battery.soc, battery.voltage_V)
    resistance = np.interp(breaks, battery.soc, battery.resistance_discharge_ohm)
    dV, dR = np.diff(voltage), np.diff(resistance)
    flat = dV * dR == 0.0
    t = (voltage[:-1] * dR - 2.0 * dV * resistance[:-1]) / np.where(flat, 1.0, dV * dR)
    inner = ~flat & (t > 0) & (t < 1)
    candidates = np.concatenate([breaks, (breaks[:-1] + t * np.diff(breaks))[inner]])
    most_W = (np.interp(candidates, battery.soc, battery.voltage_V) ** 2
              / (4.0 * np.interp(candidates, battery.soc, battery.resistance_discharge_ohm)))
    i = int(np.argmin(most_W))
    return float(candidates[i]), float(most_W[i])
