"""Plays a schedule of choices through the plant and notes every speed, torque and loss."""

from __future__ import annotations

from typing import Any, NamedTuple

from ems.kernels.frontier import Demands
from ems.kernels.jit import compiled
from ems.kernels.plant import PlantArrays, fuel_rate, machine_loss, make_bench, make_cut, terminal_power


class Played(NamedTuple):
    """What a schedule does, K intervals: speed, torque (K, S), machine_loss (K, M), mesh_loss (K, G), wheel_torque, terminal power,
    fuel rate, rotating power and limit code (K,); SI, fuel in g/s."""

    speed: Any
    torque: Any
    machine_loss: Any
    mesh_loss: Any
    wheel_torque: Any
    power: Any
    fuel: Any
    rotating: Any
    code: Any


@compiled
def play(plant: PlantArrays, demands: Demands, demand_of: Any, node: Any, choice: Any, out: Played) -> None:
    """Evaluates choice (K, 3 + I) of node (K,) in every interval; the choice's own torques are inputs, nothing is searched."""
    bench = make_bench(plant)
    for k in range(node.size):
        u, t = demand_of[k], node[k]
        ww, alpha, f = demands.wheel_speed[u], demands.wheel_acceleration[u], choice[k, 0]
        cut = make_cut(plant, bench, t, ww, f, alpha, demands.auxiliary[u])
        cut.x[0], cut.x[1] = choice[k, 1], choice[k, 2]
        for i in range(2, cut.x.size - 1):
            cut.x[i] = choice[k, 1 + i]
        code = cut.code
        if code == 0:
            out.power[k], code = terminal_power(cut)
        out.code[k] = code
        out.fuel[k] = fuel_rate(cut)
        out.wheel_torque[k] = cut.out[cut.speed.size]
        out.rotating[k] = alpha * (plant.kinetic_wheel[t] * ww + plant.kinetic_free[t] * f)
        for s in range(cut.speed.size):
            out.speed[k, s], out.torque[k, s] = cut.speed[s], cut.out[s]
        for m in range(cut.loss_row.shape[0]):
            out.machine_loss[k, m] = machine_loss(cut, m, cut.out[m + 1])
        out.mesh_loss[k, :] = 0.0
        for b in range(cut.bit_mesh.size):
            g = cut.bit_mesh[b]
            out.mesh_loss[k, g] = plant.mesh_loss[g] * abs(cut.out[cut.speed.size + 1 + g] * cut.mesh_speed[g])
