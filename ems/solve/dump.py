"""``tables.npz``: the tabulated problem in plain arrays, to check an optimum with a solver of your own.

K intervals, U distinct demands, N nodes (configurations, with lane), Q frontier points, B battery knots:

dt_s (K,), time_s (K,)              length and start of the intervals
burn_s (K,)                         ``dt_s`` times the fuel of the engine over that of a warm one
demand_of (K,)                      distinct demand of each interval
first, count (U, N)                 points ``first`` to ``first + count - 1`` are a demand's in a node; none: impossible
fuel_g_s, power_W (Q,)              fuel rate, and battery power at the terminals (positive discharges)
fixed_g (N + 1, N)                  fuel and price of every change of node; row N from rest before the first interval
fuel_of_change_g, price_of_change_g the two parts of ``fixed_g``
stored_J (K, N + 1, N)              energy a change at the start of an interval takes from the battery's store; inf: not possible
state_node (S + 1,)                 node of each state that a trip can be in; the last, N, is rest. A state is a node, with how long
                                    things have lasted where something must be waited for
state_open (S + 1, S)               whether a state may follow another
node_configuration (N,)             id of the configuration; node_lane (N,) number of the lane
battery_energy_J, battery_soc, battery_voltage_V, battery_discharge_ohm, battery_charge_ohm (B,)
                                    stored energy and what holds there; in between, straight lines over charge
battery_capacity_As, battery_discharge_W, battery_charge_W, battery_discharge_A, battery_charge_A   scalars
window_J (2,)                       lowest and highest stored energy
start_J, target_J                   stored energy at the start, and to be had at least at the end
optimum_node (K,), optimum_energy_J (K + 1,), objective_g, lower_bound_g   what is claimed
costate_g_J (K + 1,), affine_bound_g                slopes of the affine certificate and the bound it proves; ``lower_bound_g`` may lie
                                    above it, raised in cells of stored energy

An interval with stored energy e in a state of node a goes: choose a state that is open, of node c, and one of c's points; pay
``fixed_g[a, c]`` and ``fuel_g_s burn``; e falls by ``stored_J[k, a, c]``, then by ``dt`` times the electrochemical power
2 P / (1 + sqrt(1 - 4 P R / V^2)) with V and R at that energy (R: discharging for P > 0, else charging); e stays in the
window on both sides of the drive, P within the limits. Nothing is pickled: ``numpy.load(path, allow_pickle=False)``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.solve.problem import fixed_costs

if TYPE_CHECKING:
    from ems.plant.plant import Plant
    from ems.solve.optimum import Optimum


def dump_tables(found: Optimum, path: Path) -> None:
    """Write the arrays described at the top of this module to a compressed ``.npz`` file."""
    with path.open("wb") as file:
        np.savez_compressed(file, **problem_arrays(found))


def problem_arrays(found: Optimum) -> dict[str, Any]:
    """Name -> array or scalar of everything that ``tables.npz`` holds."""
    tables = found.tables
    plant, changes = tables.plant, found.problem.changes
    fuel, price = fixed_costs(plant)
    columns = found.trace.columns
    return {
        "time_s": tables.demand.time_s, "dt_s": tables.demand.dt_s, "burn_s": found.problem.points.burn, "demand_of": tables.demand_of,
        "first": tables.first, "count": tables.count, "fuel_g_s": tables.fuel_g_s, "power_W": tables.power_W,
        "fixed_g": changes.fixed, "fuel_of_change_g": fuel, "price_of_change_g": price,
        "stored_J": np.where(changes.live, changes.stored, np.inf),
        "state_node": changes.node, "state_open": changes.open,
        "node_configuration": np.array([plant.configuration(n).id for n in range(len(plant.nodes))]),
        "node_lane": np.array([node.lane for node in plant.nodes]),
        **_battery(plant),
        "start_J": found.problem.start_J, "target_J": found.problem.target_J,
        "optimum_node": found.trace.node,
        "optimum_energy_J": 1000.0 * np.append(np.asarray(columns["battery_energy_start_kJ"], float),
                                               np.asarray(columns["battery_energy_end_kJ"], float)[-1]),
        "objective_g": found.objective_g, "lower_bound_g": found.lower_bound_g,
        "costate_g_J": found.bound.costate_g_J, "affine_bound_g": found.bound.bound_g,
    }


def _battery(plant: Plant) -> dict[str, Any]:
    b = plant.battery
    return {
        "battery_energy_J": b.energy_J, "battery_soc": b.soc, "battery_voltage_V": b.voltage_V,
        "battery_discharge_ohm": b.discharge_ohm, "battery_charge_ohm": b.charge_ohm,
        "battery_capacity_As": b.capacity_As, "battery_discharge_W": b.discharge_W, "battery_charge_W": b.charge_W,
        "battery_discharge_A": b.discharge_A, "battery_charge_A": b.charge_A, "window_J": np.array([b.low_J, b.high_J]),
    }
