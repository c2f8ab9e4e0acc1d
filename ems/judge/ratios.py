"""Gear ratios found anew: a compass search over the logarithms of the ratios, judged by the costate bound on coarse tables.

The bound costs a fraction of an optimum and follows it closely; the ratios it finds are then solved in full by whoever asked. The search
is described by T. G. Kolda, R. M. Lewis and V. Torczon, SIAM Review 45, 2003 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np

from ems.errors import InputError, RunError
from ems.kernels.frontier import Grid
from ems.layout.model import Layout
from ems.layout.without import digested
from ems.plant.plant import build_plant
from ems.solve.certificate import best_bound
from ems.solve.clock import Progress
from ems.solve.costate import solve_costate
from ems.solve.problem import build_problem
from ems.solve.shortfall import shortfall
from ems.solve.steps import FIRST_COSTATE
from ems.tables.build import build_tables, coarse
from ems.trips.cycle import Cycle
from ems.trips.demand import demand as demand_of_cycle

FIRST_STEP, LAST_STEP = 0.12, 0.03      # relative
NEARLY_RIGHT = 0.06                     # the first step for what is left of a layout whose ratios were found
GAIN = 2e-4                             # a step that gains less, relative, is not taken


def best_ratios(layout: Layout, cycles: Sequence[Cycle], grid: Grid, progress: Progress | None = None,
                first_step: float = FIRST_STEP) -> Layout:
    """The layout with the gear ratios that need least fuel, mean over the cycles; as it is where nothing better is near.

    first_step : relative; smaller where the ratios are thought to be nearly right
    """
    say = progress or (lambda _: None)
    best, least = layout, _mean_bound_g_km(layout, cycles, grid)
    step, onward = first_step if np.isfinite(least) else 0.0, dict.fromkeys((g.name for g in layout.gears), 0)
    while step >= LAST_STEP:
        moved = False
        for gear, way in onward.items():
            for sign in (way,) if way else (1, -1):         # a step back is not tried before steps are halved
                trial = scaled_ratio(best, gear, (1.0 + step) ** sign)
                fuel = _mean_bound_g_km(trial, cycles, grid)
                if fuel < least * (1.0 - GAIN):
                    best, least, moved, onward[gear] = trial, fuel, True, sign
                    say(f"ratio of {gear}: {float(next(g.ratio for g in best.gears if g.name == gear)):.3f}")
                    break
        if not moved:
            step, onward = 0.5 * step, dict.fromkeys(onward, 0)
    return best


def scaled_ratio(layout: Layout, gear: str, factor: float) -> Layout:
    """The layout with one gear ratio multiplied; a fraction of millionths, so that the derivation stays exact."""
    gears = tuple(replace(g, ratio=in_millionths(float(g.ratio) * factor)) if g.name == gear else g for g in layout.gears)
    return digested(replace(layout, gears=gears))


def in_millionths(value: float) -> Fraction:
    """The nearest fraction of millionths."""
    return Fraction(round(1e6 * value), 10**6)


def _mean_bound_g_km(layout: Layout, cycles: Sequence[Cycle], grid: Grid) -> float:
    """Lower bound of fuel per distance on coarse tables; inf where a cycle cannot be followed."""
    try:
        return float(np.mean([_bound_g_km(layout, cycle, grid) for cycle in cycles]))
    except (InputError, RunError):
        return float("inf")


def _bound_g_km(layout: Layout, cycle: Cycle, grid: Grid) -> float:
    plant = build_plant(layout)
    demand = demand_of_cycle(cycle, layout.vehicle)
    tables = build_tables(plant, demand, coarse(grid))
    if shortfall(tables) is not None:
        return float("inf")
    energy = float(layout.battery.energy_J(layout.battery.soc_target))
    problem = build_problem(tables, energy, energy)
    costate = solve_costate(problem, FIRST_COSTATE / plant.heating_value_J_g, tolerance=1e-3)
    one = np.zeros(problem.points.dt.size + 1, np.int64)
    return best_bound(problem, costate.above.shape, one, costate.above.costate_g_J[-1:]).bound_g / (demand.distance_m / 1e3)
