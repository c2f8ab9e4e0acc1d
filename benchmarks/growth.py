"""How the time grows: python benchmarks/growth.py [--times 3] [--only seconds ...] [--json]

Fitted exponents of processor time (all threads) over size, least squares on logarithms, everything in one run:

*seconds*         WLTC class 3b one to eight times over, whole optimum of `three-clutch`
*battery nodes*   one backward sweep over 251 to 4,001 nodes
*configurations*  `three-clutch` with one to six lanes of engine speed, 28 to 48 nodes: whole optimum
*controls*        points on every axis of the frontier tables, half to four times the usual: first tables
*machines*        one to three machines that drive: first tables a configuration and demand, no exponent
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from limit import least_seconds

import ems
from ems.kernels.dynamic import dynamic_programming
from ems.plant.plant import build_plant
from ems.solve.certificate import pruned
from ems.solve.dynamic import full_corridor, value_rows, values_of
from ems.solve.steps import SLACK
from ems.tables.build import DEFAULT_GRID, build_tables, refined
from ems.trips.cycle import Cycle
from ems.trips.demand import demand

Sizes = list[tuple[float, float]]       # size, seconds


def repeated(cycle: Cycle, times: int) -> Cycle:
    """A cycle so many times over; it must begin and end at rest."""
    starts = np.arange(times) * cycle.time_s[-1]
    return replace(cycle, name=f"{times} x {cycle.name}", phases=(),
                   time_s=np.append(np.concatenate([cycle.time_s[:-1] + s for s in starts]), times * cycle.time_s[-1]),
                   speed_m_s=np.append(np.tile(cycle.speed_m_s[:-1], times), cycle.speed_m_s[-1]),
                   grade=np.append(np.tile(cycle.grade[:-1], times), cycle.grade[-1]), auxiliary_W=np.tile(cycle.auxiliary_W, times))


def exponent(sizes: Sizes) -> float:
    """Slope of a straight line through the logarithms."""
    size, seconds = np.log(np.array(sizes)).T
    return float(np.polyfit(size, seconds, 1)[0])


def over_seconds(times: int, lengths: tuple[int, ...] = (1, 2, 4, 8)) -> Sizes:
    """Whole optimum over the length of the trip."""
    layout, whole = ems.load_layout("three-clutch"), ems.load_cycle("wltc-3b")
    cycles = [repeated(whole, n) for n in lengths]
    return [(float(c.time_s[-1]), least_seconds(lambda c=c: ems.optimum(layout, c), times)) for c in cycles]


def over_battery_nodes(times: int, nodes: tuple[int, ...] = (251, 501, 1001, 2001, 4001)) -> Sizes:
    """One backward sweep over the number of battery nodes."""
    found = ems.optimum(ems.load_layout("three-clutch"), ems.load_cycle("wltc-3b"))
    problem = pruned(found.problem, found.bound, SLACK * found.bound.bound_g)
    row, sizes = value_rows(problem), []
    for count in nodes:
        corridor = full_corridor(problem, count, float(found.bound.costate_g_J.max()))
        value, base = values_of(row, count)
        sizes.append((float(count), least_seconds(lambda c=corridor, v=value, b=base: dynamic_programming(
            problem.points, problem.plant.battery, problem.links, c, row, v, b), times)))
    return sizes


def over_configurations(times: int, lanes: tuple[int, ...] = (1, 2, 3, 4, 6)) -> Sizes:
    """Whole optimum over the number of nodes, a lane of engine speed of a configuration each."""
    layout, cycle = ems.load_layout("three-clutch"), ems.load_cycle("wltc-3b")
    return [(float(len(build_plant(layout, lanes=n).nodes)), least_seconds(lambda n=n: ems.optimum(layout, cycle, lanes=n), times))
            for n in lanes]


def over_controls(times: int, factors: tuple[int, ...] = (1, 2, 4)) -> Sizes:
    """First tables of ``three-clutch`` over the points on each of their axes."""
    plant, trip = _plant_and_trip("three-clutch")
    grids = [DEFAULT_GRID if n == 1 else refined(DEFAULT_GRID, n) for n in factors]
    return [(float(n), least_seconds(lambda g=g: build_tables(plant, trip, g, np.zeros(0)), times))
            for n, g in zip(factors, grids, strict=True)]


def over_machines(times: int, layouts: tuple[str, ...] = ("series-parallel", "three-clutch", "three-clutch-rear")) -> Sizes:
    """Microseconds of first tables a demand and node, over the machines of a layout (the generator counts)."""
    sizes = []
    for name in layouts:
        plant, trip = _plant_and_trip(name)
        tables = build_tables(plant, trip, DEFAULT_GRID, np.zeros(0))
        seconds = least_seconds(lambda p=plant, t=trip: build_tables(p, t, DEFAULT_GRID, np.zeros(0)), times)
        sizes.append((float(plant.arrays.machine_max.size), 1e6 * seconds / int((tables.count > 0).sum())))
    return sizes


def _plant_and_trip(name: str) -> tuple[Any, Any]:
    layout = ems.load_layout(name)
    return build_plant(layout), demand(ems.load_cycle("wltc-3b"), layout.vehicle)


MEASURES: dict[str, tuple[str, Callable[[int], Sizes]]] = {
    "seconds": ("s of trip", over_seconds), "battery nodes": ("nodes", over_battery_nodes),
    "configurations": ("nodes", over_configurations), "controls": ("times the points an axis", over_controls),
    "machines": ("machines", over_machines),
}


def main() -> None:
    """Reads the options and measures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--only", action="append", choices=tuple(MEASURES), help="may be given several times; all when not")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    found = {name: MEASURES[name][1](asked.times) for name in asked.only or MEASURES}
    if asked.json:
        print(json.dumps({name: {"sizes": sizes, "exponent": exponent(sizes)} for name, sizes in found.items()}))
        return
    for name, sizes in found.items():
        unit = "us a demand and node" if name == "machines" else "s"
        print(f"{name}: " + ("" if name == "machines" else f"exponent {exponent(sizes):.2f}"))
        for size, seconds in sizes:
            print(f"  {size:8g} {MEASURES[name][0]:26} {seconds:8.3f} {unit}")


if __name__ == "__main__":
    main()
