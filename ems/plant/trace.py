"""A trip as it was driven: one row an interval, every loss from its own component, and the audit of all energy."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from ems.kernels.battery import state
from ems.kernels.frontier import Demands
from ems.kernels.replay import Played, play
from ems.kernels.sweep import internal_power
from ems.kernels.transitions import Exchange, transition
from ems.plant.modes import mode_label
from ems.plant.plant import Plant
from ems.trips.demand import Demand
from ems.types import Array, IntArray

if TYPE_CHECKING:
    import pandas as pd

Column = Array | list[str]
RPM = 30.0 / math.pi


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


def residual_percent(losses_kJ: dict[str, float], stores_kJ: dict[str, float]) -> float:
    """Energy in minus energy out, per fuel energy (or per battery energy where no fuel was burnt) [%].

    stores_kJ : ``fuel`` and ``battery`` given, ``kinetic`` and ``climb`` gained; every loss adds to what went out.
    """
    given = stores_kJ["fuel"] + stores_kJ["battery"]
    gone = math.fsum([*losses_kJ.values(), stores_kJ["kinetic"], stores_kJ["climb"]])
    return 100.0 * (given - gone) / max(abs(stores_kJ["fuel"]), 1e-3 * math.fsum(losses_kJ.values()), 1e-9)


def trace(plant: Plant, demand: Demand, demands: Demands, demand_of: IntArray, node: IntArray, choice: Array, energy_J: Array,
          fixed_fuel_g: Array, fixed_price_g: Array) -> Trace:
    """The trace of a schedule.

    energy_J : (K + 1,) stored energy at the interval ends
    fixed_fuel_g, fixed_price_g : (N + 1, N) start fuel, and shift and start price, of every change
    """
    played = _played(plant, demands, demand_of, node, choice)
    changes = _changes(plant, demand, node)
    before = np.concatenate([[len(plant.nodes)], node[:-1]])
    columns, losses, stores = _account(plant, demand, node, played, changes, energy_J, fixed_fuel_g[before, node],
                                       fixed_price_g[before, node])
    return Trace(plant, demand, node, choice, columns, losses, stores)


def _played(plant: Plant, demands: Demands, demand_of: IntArray, node: IntArray, choice: Array) -> Played:
    K, S, M, G = node.size, plant.arrays.source_wheel.shape[1], plant.arrays.machine_max.size, plant.arrays.mesh_loss.size
    out = Played(np.zeros((K, S)), np.zeros((K, S)), np.zeros((K, M)), np.zeros((K, G)), np.zeros(K), np.zeros(K), np.zeros(K),
                 np.zeros(K), np.zeros(K, np.int64))
    play(plant.arrays, demands, demand_of, node, np.ascontiguousarray(choice), out)
    return out


def _changes(plant: Plant, demand: Demand, node: IntArray) -> dict[str, Array]:
    """Energies of the change at the start of every interval, by the names of ``Exchange``, arrays (K,) [J]."""
    S = plant.transitions.inertia.size
    wheel = demand.boundary_speed_m_s / plant.layout.vehicle.wheel_radius_m
    rows = [transition(plant.transitions, -1 if k == 0 else int(node[k - 1]), int(n), wheel[k], np.zeros(S), np.zeros(S))
            for k, n in enumerate(node)]
    return {name: np.array([getattr(row, name) for row in rows]) for name in Exchange._fields}


def _account(plant: Plant, demand: Demand, node: IntArray, played: Played, change: dict[str, Array], energy_J: Array, start_fuel_g: Array,
             price_g: Array) -> tuple[dict[str, Column], dict[str, float], dict[str, float]]:
    layout, dt = plant.layout, demand.dt_s
    radius = layout.vehicle.wheel_radius_m
    wheel_speed = demand.speed_m_s / radius
    brake_W = (played.wheel_torque - demand.force_N * radius) * wheel_speed
    shaft_W = played.speed * played.torque
    after_J = energy_J[:-1] - change["stored"]
    internal_W = np.array([internal_power(plant.battery, float(e), float(P)) for e, P in zip(after_J, played.power, strict=True)])
    engine_heat_W = played.fuel * plant.heating_value_J_g - shaft_W[:, 0]
    hold_W = plant.arrays.hold_W[node]
    machines = [m.name for m in layout.machines]
    per_machine = change["machines"] / max(len(machines), 1)
    losses_W = {
        "engine": engine_heat_W + (start_fuel_g * plant.heating_value_J_g + change["engine"]) / dt,
        **{name: played.machine_loss[:, i] + per_machine / dt for i, name in enumerate(machines)},
        "meshes": played.mesh_loss.sum(axis=1),
        "clutches": change["clutches"] / dt,
        "battery": internal_W - played.power + (change["stored"] - change["electric"]) / dt,
        "brakes": brake_W,
        "air": demand.air_N * demand.speed_m_s,
        "tyres": demand.tyre_N * demand.speed_m_s,
        "auxiliaries": demand.auxiliary_W + hold_W,
    }
    kinetic_W = demand.inertia_N * demand.speed_m_s + played.rotating + change["kinetic"] / dt
    stores = {
        "fuel": float(np.sum(played.fuel * dt + start_fuel_g)) * plant.heating_value_J_g / 1e3,
        "battery": float(energy_J[0] - energy_J[-1]) / 1e3,
        "kinetic": float(np.sum(kinetic_W * dt)) / 1e3,
        "climb": float(np.sum(demand.climb_N * demand.speed_m_s * dt)) / 1e3,
    }
    losses = {name: float(np.sum(value * dt)) / 1e3 for name, value in losses_W.items()}
    configurations = [plant.configuration(n) for n in node]
    soc = np.array([state(plant.battery, float(e))[0] for e in energy_J])
    columns: dict[str, Column] = {
        "time_s": demand.time_s, "speed_kmh": np.asarray(demand.speed_m_s * 3.6), "grade_percent": np.asarray(demand.grade * 100),
        "configuration": [c.id for c in configurations],
        "mode": [mode_label(plant.derivation, c, wheel_speed[k], demand.power_W[k], brake_W[k], shaft_W[k, 0], shaft_W[k, 1:].tolist())
                 for k, c in enumerate(configurations)],
        "wheel_torque_Nm": played.wheel_torque, "wheel_power_kW": demand.power_W / 1e3, "brake_power_kW": brake_W / 1e3,
        "engine_speed_rpm": played.speed[:, 0] * RPM, "engine_torque_Nm": played.torque[:, 0], "engine_power_kW": shaft_W[:, 0] / 1e3,
        "fuel_g_s": played.fuel,
    }
    for i, name in enumerate(machines):
        columns |= {f"{name}_speed_rpm": played.speed[:, i + 1] * RPM, f"{name}_torque_Nm": played.torque[:, i + 1],
                    f"{name}_power_kW": shaft_W[:, i + 1] / 1e3,
                    f"{name}_electrical_kW": (shaft_W[:, i + 1] + played.machine_loss[:, i]) / 1e3}
    columns |= {"battery_power_kW": played.power / 1e3, "battery_internal_kW": internal_W / 1e3, "soc_start": soc[:-1], "soc_end": soc[1:],
                "battery_energy_start_kJ": energy_J[:-1] / 1e3, "battery_energy_end_kJ": energy_J[1:] / 1e3}
    columns |= {("auxiliary_kW" if name == "auxiliaries" else f"loss_{name}_kW"): value / 1e3 for name, value in losses_W.items()}
    columns |= {"kinetic_power_kW": kinetic_W / 1e3, "transition_fuel_g": start_fuel_g, "transition_energy_kJ": change["stored"] / 1e3,
                "transition_price_g": price_g}
    for name in (*(c.name for c in layout.clutches), *(b.name for b in layout.brakes)):
        columns[name] = np.array([float(name in c.state.closed) for c in configurations])
    for shifter in layout.shifters:
        columns[shifter.name] = [dict(c.state.shifters)[shifter.name] or "neutral" for c in configurations]
    return columns, losses, stores
