"""How far the sweep is from a bare kernel: python benchmarks/limit.py [--layout three-clutch] [--cycle wltc-3b] [--nodes 251] [--times 5]

One backward sweep of the dynamic programming over the pruned problem of an optimum, in transitions a second. A transition is one point
or one change of configuration at one battery node. Beside it, in the same run and on the same points:

*bare*      what one transition cannot do without, and nothing else: two loads, a square root, a linear interpolation, a minimum
*parabola*  the same with the square root replaced by a parabola through three nodes, as the sweep does
*memory*    bytes the sweep must touch once a second of the trip, over what copying large arrays moves on this machine
"""

from __future__ import annotations

import argparse
import json
import math
import time
from collections.abc import Callable
from typing import Any

import numba
import numpy as np

import ems
from ems.kernels.dynamic import dynamic_programming
from ems.kernels.lookup import lesser
from ems.solve.certificate import pruned
from ems.solve.dynamic import full_corridor, value_rows, values_of
from ems.solve.problem import Problem
from ems.solve.steps import SLACK


@numba.njit(error_model="numpy")
def bare(power: Any, fuel: Any, x: Any, value: Any, out: Any, per_step: float) -> None:
    """out (I,) lowered by every point (Q,) at every node: x (I,) R / V^2, value (I,) of the next stage, per_step nodes a watt."""
    last = out.size - 2
    for j in range(power.size):
        P, burnt = power[j], fuel[j]
        for i in range(out.size):
            place = i - 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x[i], 0.0))) * per_step
            place = min(max(place, 0.0), last + 0.999)
            on = int(place)
            out[i] = lesser(out[i], burnt + value[on] + (place - on) * (value[on + 1] - value[on]))


@numba.njit(error_model="numpy")
def parabola(power: Any, fuel: Any, x: Any, value: Any, out: Any, per_step: float) -> None:
    """``bare`` with p(x) taken at the ends and the middle, a parabola between."""
    last, half = out.size - 2, 0.5 * (out.size - 1)
    for j in range(power.size):
        P, burnt = power[j], fuel[j]
        p0 = 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x[0], 0.0)))
        p1 = 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x[out.size // 2], 0.0)))
        p2 = 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x[out.size - 1], 0.0)))
        bend = (p2 - 2.0 * p1 + p0) / (2.0 * half * half)
        slope = (p1 - p0) / half - bend * half
        for i in range(out.size):
            place = i - (p0 + i * (slope + i * bend)) * per_step
            place = min(max(place, 0.0), last + 0.999)
            on = int(place)
            out[i] = lesser(out[i], burnt + value[on] + (place - on) * (value[on + 1] - value[on]))


def least_seconds(work: Callable[[], Any], times: int) -> float:
    """Least processor seconds of a piece of work, which is done once before."""
    work()
    seconds = []
    for _ in range(times):
        begun = time.process_time()
        work()
        seconds.append(time.process_time() - begun)
    return min(seconds)


def copied_bytes_s(times: int) -> float:
    """Bytes a second that copying 200 MB reads and writes."""
    a = np.zeros(12_500_000)
    b = np.empty_like(a)
    return 2.0 * a.nbytes / least_seconds(lambda: np.copyto(b, a), times)


def measured(problem: Problem, costate_g_J: float, nodes: int, times: int) -> dict[str, float]:
    """Transitions of a sweep, and nanoseconds of one: ours, bare, with a parabola; and its memory traffic."""
    corridor = full_corridor(problem, nodes, costate_g_J)
    row = value_rows(problem)
    value, base = values_of(row, nodes)
    points, links, battery = problem.points, problem.links, problem.plant.battery
    sweep_s = least_seconds(lambda: dynamic_programming(points, battery, links, corridor, row, value, base), times)
    power, fuel = points.power[: 20_000], points.fuel[: 20_000]
    x = np.linspace(1.3, 1.1, nodes) * problem.plant.nominal_x
    later, out = np.linspace(1.0, 0.0, nodes), np.full(nodes, 1e9)
    alone = {f.__name__: least_seconds(lambda f=f: f(power, fuel, x, later, out, 1.0 / corridor.step[0]), times) for f in (bare, parabola)}
    touched = sum(a.nbytes for a in (*points[:4], *links)) + 3 * value.nbytes           # values: written, read as stage and as next
    transitions = (points.power.size + links.before.size) * nodes
    return {
        "points": points.power.size, "changes": links.before.size, "battery_nodes": nodes, "transitions": transitions,
        "sweep_s": sweep_s, "sweep_ns": 1e9 * sweep_s / transitions,
        **{f"{name}_ns": 1e9 * seconds / (power.size * nodes) for name, seconds in alone.items()},
        "bytes": touched, "bytes_over_copying": touched / sweep_s / copied_bytes_s(times),
    }


def main() -> None:
    """Reads the options, solves once, and measures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--layout", default="three-clutch")
    parser.add_argument("--cycle", default="wltc-3b")
    parser.add_argument("--nodes", type=int, default=251)
    parser.add_argument("--times", type=int, default=5)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    found = ems.optimum(ems.load_layout(asked.layout), ems.load_cycle(asked.cycle))
    problem = pruned(found.problem, found.bound, SLACK * found.bound.bound_g)
    got = measured(problem, float(found.bound.costate_g_J.max()), asked.nodes, asked.times)
    if asked.json:
        print(json.dumps({"layout": asked.layout, "cycle": asked.cycle, **got}))
        return
    print(f"{asked.layout} on {asked.cycle}: {got['points']} points, {got['changes']} changes, {asked.nodes} battery nodes")
    print(f"  sweep     {got['sweep_ns']:.2f} ns a transition ({got['transitions'] / got['sweep_s'] / 1e6:.0f} million a second)")
    for name in ("bare", "parabola"):
        print(f"  {name:9} {got[name + '_ns']:.2f} ns: the sweep takes {got['sweep_ns'] / got[name + '_ns']:.2f} times as long")
    print(f"  memory    {got['bytes'] / 1e6:.0f} MB, {100 * got['bytes_over_copying']:.0f} % of what copying moves in that time")


if __name__ == "__main__":
    main()
