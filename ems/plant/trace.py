"""A trip as it was driven: one row an interval, every loss from its own component, and the audit of all energy."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ems.configurations import Configuration
from ems.kernels.battery import state
from ems.kernels.frontier import Demands
from ems.plant.audit import Trip, play_trip, power_losses_W, residual_percent, stores_kJ
from ems.plant.modes import mode_label
from ems.plant.plant import Plant
from ems.quantities import RPM_PER_RAD_S
from ems.trips.demand import Demand
from ems.types import Array, IntArray

if TYPE_CHECKING:
    import pandas as pd

Column = Array | list[str]


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A driven trip, K intervals.

    node : (K,) node of the plant     choice : (K, 3 + I) free engine speed, wheel, engine and inner torques
    columns : unit-suffixed columns of K rows, in order
    losses_kJ : component -> energy lost on the trip      stores_kJ : what was taken from fuel and battery, and left in motion and height
    """

    plant: Plant
    demand: Demand
    node: IntArray
    choice: Array
    columns: dict[str, Column]
    losses_kJ: dict[str, float]
    stores_kJ: dict[str, float]

    @property
    def energy_residual_percent(self) -> float:
        """What the audit cannot account for, per fuel energy [%]."""
        return residual_percent(self.losses_kJ, self.stores_kJ)

    def to_frame(self) -> pd.DataFrame:
        """One row an interval, indexed by ``time_s``; units are the column suffixes."""
        import pandas as pd

        return pd.DataFrame({k: v for k, v in self.columns.items() if k != "time_s"},
                            index=pd.Index(np.asarray(self.columns["time_s"]), name="time_s"))


def trace(plant: Plant, demand: Demand, demands: Demands, demand_of: IntArray, node: IntArray, choice: Array, energy_J: Array,
          fixed_fuel_g: Array, fixed_price_g: Array, fuel_factor: Array | None = None) -> Trace:
    """The trace of a schedule.

    energy_J : (K + 1,) stored energy at the interval ends
    fixed_fuel_g, fixed_price_g : (N + 1, N) start fuel, and shift and start price, of every change
    fuel_factor : (K,) fuel over that of the warm engine; 1 when None
    """
    trip = play_trip(plant, demand, demands, demand_of, node, choice, energy_J, np.ones(node.size) if fuel_factor is None else fuel_factor)
    before = np.concatenate([[len(plant.nodes)], node[:-1]])
    fuel_g, price_g = fixed_fuel_g[before, node], fixed_price_g[before, node]
    losses_W = power_losses_W(trip, fuel_g)
    columns = _columns(trip, losses_W, fuel_g, price_g)
    losses_kJ = {name: float(np.sum(value * demand.dt_s)) / 1e3 for name, value in losses_W.items()}
    return Trace(plant, demand, node, choice, columns, losses_kJ, stores_kJ(trip, fuel_g))


def _columns(trip: Trip, losses_W: dict[str, Array], start_fuel_g: Array, price_g: Array) -> dict[str, Column]:
    demand, played, plant = trip.demand, trip.played, trip.plant
    configurations = [plant.configuration(n) for n in trip.node]
    labels = [mode_label(plant.derivation, c, trip.wheel_rad_s[k], demand.power_W[k], trip.brake_W[k], trip.shaft_W[k, 0],
                         trip.shaft_W[k, 1:].tolist(), played.power[k]) for k, c in enumerate(configurations)]
    soc = np.array([state(plant.battery, float(e))[0] for e in trip.energy_J])
    columns: dict[str, Column] = {
        "time_s": demand.time_s, "speed_kmh": np.asarray(demand.speed_m_s * 3.6), "grade_percent": np.asarray(demand.grade * 100),
        "configuration": [c.id for c in configurations], "mode": labels,
        "wheel_torque_Nm": played.wheel_torque, "wheel_power_kW": demand.power_W / 1e3, "brake_power_kW": trip.brake_W / 1e3,
        "engine_speed_rpm": played.speed[:, 0] * RPM_PER_RAD_S, "engine_torque_Nm": played.torque[:, 0],
        "engine_power_kW": trip.shaft_W[:, 0] / 1e3,
        "fuel_g_s": trip.fuel_g_s,
    }
    for i, use in enumerate(plant.layout.machines):
        electrical_W = trip.shaft_W[:, i + 1] + played.machine_loss[:, i] + use.machine.standby_W
        columns |= {f"{use.name}_speed_rpm": played.speed[:, i + 1] * RPM_PER_RAD_S, f"{use.name}_torque_Nm": played.torque[:, i + 1],
                    f"{use.name}_power_kW": trip.shaft_W[:, i + 1] / 1e3, f"{use.name}_electrical_kW": electrical_W / 1e3}
    columns |= {"battery_power_kW": played.power / 1e3, "battery_internal_kW": trip.internal_W / 1e3, "soc_start": soc[:-1],
                "soc_end": soc[1:], "battery_energy_start_kJ": trip.energy_J[:-1] / 1e3, "battery_energy_end_kJ": trip.energy_J[1:] / 1e3}
    columns |= {("auxiliary_kW" if name == "auxiliaries" else f"loss_{name}_kW"): value / 1e3 for name, value in losses_W.items()}
    columns |= {"free_speed_kW": trip.free_speed_W / 1e3, "kinetic_power_kW": trip.kinetic_W / 1e3, "transition_fuel_g": start_fuel_g,
                "transition_energy_kJ": trip.change["stored"] / 1e3, "transition_price_g": price_g}
    return columns | _actuators(plant, configurations)


def _actuators(plant: Plant, configurations: list[Configuration]) -> dict[str, Column]:
    """Clutches, brakes and one-way clutches (0 open, 1 closed, 0.5 slipping) and shifters (position or 'neutral')."""
    layout = plant.layout
    columns: dict[str, Column] = {}
    for name in (*(c.name for c in layout.clutches), *(b.name for b in layout.brakes), *(w.name for w in layout.one_way)):
        columns[name] = np.array([(0.5 if name in c.slipping else 1.0) if name in c.state.closed else 0.0 for c in configurations])
    for shifter in layout.shifters:
        columns[shifter.name] = [dict(c.state.shifters)[shifter.name] or "neutral" for c in configurations]
    return columns
