"""Plays a schedule of choices through the plant and notes every speed, torque and loss."""

from __future__ import annotations

from typing import Any, NamedTuple

from ems.kernels.frontier import Demands
from ems.kernels.jit import compiled
from ems.kernels.plant import Bench, PlantArrays, fuel_rate, load_of, machine_loss, make_cut, terminal_power
from ems.kernels.transitions import NodeArrays, set_from_rest, set_rotating, transition


class Played(NamedTuple):
    """What a schedule does, K intervals: speed, torque (K, S), machine_loss (K, M), mesh_loss (K, G), wheel_torque, terminal power,
    fuel rate, rotating power, drag loss, heat of a slipping clutch and limit code (K,); SI, fuel in g/s."""

    speed: Any
    torque: Any
    machine_loss: Any
    mesh_loss: Any
    wheel_torque: Any
    power: Any
    fuel: Any
    rotating: Any
    drag: Any
    slip: Any
    code: Any


@compiled
def play(plant: PlantArrays, demands: Demands, demand_of: Any, node: Any, choice: Any, out: Played, bench: Bench) -> None:
    """Evaluates choice (K, 3 + I) of node (K,) in every interval; the choice's own torques are inputs, nothing is searched."""
    for k in range(node.size):
        u, t = demand_of[k], node[k]
        ww, alpha, f = demands.wheel_speed[u], demands.wheel_acceleration[u], choice[k, 0]
        cut = make_cut(plant, bench, t, ww, f, alpha, demands.auxiliary[u], demands.axle_least[u])
        cut.x[0], cut.x[1] = choice[k, 1], choice[k, 2]
        for i in range(2, cut.fixed):
            cut.x[i] = choice[k, 1 + i]
        code = cut.code
        if code == 0:
            out.power[k], code = terminal_power(cut)
        out.code[k] = code
        out.fuel[k] = fuel_rate(cut)
        out.wheel_torque[k] = cut.out[cut.speed.size]
        out.rotating[k] = alpha * (plant.kinetic_wheel[t] * ww + plant.kinetic_free[t] * plant.reference[t])
        for s in range(cut.speed.size):
            out.speed[k, s], out.torque[k, s] = cut.speed[s], cut.out[s]
        for m in range(cut.loss_row.shape[0]):
            out.machine_loss[k, m] = machine_loss(cut, m, cut.out[m + 1])
        out.mesh_loss[k, :] = 0.0
        for b in range(cut.bit_mesh.size):
            g = cut.bit_mesh[b]
            out.mesh_loss[k, g] = plant.mesh_loss[g] * abs(cut.out[cut.speed.size + 1 + g] * cut.mesh_speed[g])
        out.drag[k] = 0.0
        for d in range(plant.drag_count[t]):
            out.drag[k] += abs(cut.x[cut.fixed + 1 + d] * (plant.drag[t, d, 0] * ww + plant.drag[t, d, 1] * f))
        out.slip[k] = 0.0
        if plant.slip_joint[t] >= 0:
            torque = plant.slip[t, 2] * load_of(cut, plant.slip_joint[t])
            out.slip[k] = torque * (plant.slip[t, 0] * ww + plant.slip[t, 1] * f)


@compiled
def play_changes(n: NodeArrays, node: Any, wheel_speed: Any, out: Any, machines: Any, before: Any, after: Any) -> None:
    """Energies of the change at the start of every interval [J]: out (K, 5) as in ``Exchange``, machines (K, M) their losses.

    node : (K,)      wheel_speed : (K,) at the start of each interval      before, after : (S + 2,) scratch
    """
    for k in range(node.size):
        a = node[k - 1] if k > 0 else -1
        if a < 0:
            set_from_rest(n, node[k], wheel_speed[k], before)
        else:
            set_rotating(n, a, wheel_speed[k], before)
        set_rotating(n, node[k], wheel_speed[k], after)
        done = transition(n, a, node[k], before, after, machines[k])
        out[k, 0], out[k, 1], out[k, 2], out[k, 3], out[k, 4] = done.stored, done.electric, done.clutches, done.engine, done.kinetic
