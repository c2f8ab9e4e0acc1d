"""The audit of a trip: what went in, where every joule went, and what is left; each loss from its own component."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ems.kernels.frontier import Demands
from ems.kernels.plant import make_bench
from ems.kernels.replay import Played, play, play_changes
from ems.kernels.sweep import internal_powers
from ems.kernels.transitions import Exchange
from ems.plant.plant import Plant
from ems.trips.demand import Demand
from ems.types import Array, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Trip:
    """A schedule played through the plant, K intervals.

    played : speeds, torques, losses [W]                  change : energies of the change at each start by the names of ``Exchange`` [J]
    change_machines_J : (K, M) lost in machines then      energy_J : (K + 1,) stored energy
    fuel_g_s : (K,), cold engine included                 wheel_rad_s, brake_W, internal_W, kinetic_W : (K,); shaft_W : (K, S)
    free_speed_W : (K,) what the battery pays because rotating energy is counted at the reference of a free speed
    """

    plant: Plant
    demand: Demand
    node: IntArray
    played: Played
    change: dict[str, Array]
    change_machines_J: Array
    energy_J: Array
    fuel_g_s: Array
    wheel_rad_s: Array
    brake_W: Array
    internal_W: Array
    kinetic_W: Array
    shaft_W: Array
    free_speed_W: Array


def play_trip(plant: Plant, demand: Demand, demands: Demands, demand_of: IntArray, node: IntArray, choice: Array, energy_J: Array,
              fuel_factor: Array) -> Trip:
    """Plays a schedule (see ``trace``)."""
    K, S, M, G = node.size, plant.arrays.source_wheel.shape[1], plant.arrays.machine_max.size, plant.arrays.mesh_loss.size
    played = Played(np.zeros((K, S)), np.zeros((K, S)), np.zeros((K, M)), np.zeros((K, G)), np.zeros(K), np.zeros(K), np.zeros(K),
                    np.zeros(K), np.zeros(K), np.zeros(K), np.zeros(K, np.int64))
    play(plant.arrays, demands, demand_of, node, np.ascontiguousarray(choice), played, make_bench(plant.arrays))
    radius = plant.layout.vehicle.wheel_radius_m
    rows, machines_J = np.zeros((K, len(Exchange._fields))), np.zeros((K, M))
    play_changes(plant.transitions, node, demand.boundary_speed_m_s[:-1] / radius, rows, machines_J,
                 *np.zeros((2, plant.transitions.inertia.size + 2)))
    change = {name: rows[:, i] for i, name in enumerate(Exchange._fields)}
    internal_W = np.empty(K)
    internal_powers(plant.battery, energy_J[:-1] - change["stored"], played.power, internal_W)
    wheel_rad_s = demand.speed_m_s / radius
    return Trip(plant, demand, node, played, change, machines_J, energy_J, played.fuel * fuel_factor, wheel_rad_s,
                (played.wheel_torque - demand.force_N * radius) * wheel_rad_s, internal_W,
                demand.inertia_N * demand.speed_m_s + played.rotating + change["kinetic"] / demand.dt_s, played.speed * played.torque,
                _free_speed_W(plant, demand, node, choice))


def _free_speed_W(plant: Plant, demand: Demand, node: IntArray, choice: Array) -> Array:
    arrays, alpha = plant.arrays, demand.acceleration_m_s2 / plant.layout.vehicle.wheel_radius_m
    power: Array = alpha * arrays.kinetic_free[node] * (arrays.reference[node] - choice[:, 0])
    return power


def power_losses_W(trip: Trip, start_fuel_g: Array) -> dict[str, Array]:
    """(K,) power lost in every component, the changes at an interval's start spread over it.

    ``drag`` (shafts, open clutches) and ``hold`` (of what is engaged, and pumps) only where the layout has any.
    """
    plant, demand, played, change, dt = trip.plant, trip.demand, trip.played, trip.change, trip.demand.dt_s
    heating = plant.heating_value_J_g
    standby_W = [use.machine.standby_W for use in plant.layout.machines]
    losses = {"engine": trip.fuel_g_s * heating - trip.shaft_W[:, 0] + (start_fuel_g * heating + change["engine"]) / dt}
    for i, use in enumerate(plant.layout.machines):
        losses[use.name] = played.machine_loss[:, i] + standby_W[i] + trip.change_machines_J[:, i] / dt
    losses |= {"meshes": played.mesh_loss.sum(axis=1), "clutches": played.slip + change["clutches"] / dt}
    if any(plant.arrays.drag_count):
        losses["drag"] = played.drag
    hold_W = plant.arrays.hold_W - sum(standby_W)
    if hold_W.any():
        losses["hold"] = hold_W[trip.node]
    return losses | {
        "battery": trip.internal_W - played.power + (change["stored"] - change["electric"]) / dt,
        "brakes": trip.brake_W,
        "air": demand.air_N * demand.speed_m_s,
        "tyres": demand.tyre_N * demand.speed_m_s,
        "auxiliaries": demand.auxiliary_W,
    }


def stores_kJ(trip: Trip, start_fuel_g: Array) -> dict[str, float]:
    """What fuel and battery gave, and what is left in motion and height."""
    dt = trip.demand.dt_s
    return {
        "fuel": float(np.sum(trip.fuel_g_s * dt + start_fuel_g)) * trip.plant.heating_value_J_g / 1e3,
        "battery": float(trip.energy_J[0] - trip.energy_J[-1]) / 1e3,
        "kinetic": float(np.sum(trip.kinetic_W * dt)) / 1e3,
        "climb": float(np.sum(trip.demand.climb_N * trip.demand.speed_m_s * dt)) / 1e3,
    }


def residual_percent(losses_kJ: dict[str, float], stores_kJ: dict[str, float]) -> float:
    """Energy in minus energy out, per fuel energy (or per battery energy where no fuel was burnt) [%].

    stores_kJ : ``fuel`` and ``battery`` given, ``kinetic`` and ``climb`` gained; every loss adds to what went out.
    """
    given = stores_kJ["fuel"] + stores_kJ["battery"]
    gone = math.fsum([*losses_kJ.values(), stores_kJ["kinetic"], stores_kJ["climb"]])
    return 100.0 * (given - gone) / max(abs(stores_kJ["fuel"]), 1e-3 * math.fsum(losses_kJ.values()), 1e-9)
