"""Gear ratios found anew: a compass search over the logarithms of the ratios, judged by the costate bound of a roughened trip.

The bound costs a fraction of an optimum and follows it closely; on steps of three seconds and few table points it costs a sixth of that
again, and differences between ratios stay within a tenth of a per cent of what they were. The ratios found are solved in full by whoever
asked. Compass search is described by T. G. Kolda, R. M. Lewis and V. Torczon, SIAM Review 45, 2003 (from memory); it ends with the vertex
of a parabola through three points of every ratio.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
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
from ems.solve.steps import FIRST_COSTATE
from ems.tables.build import build_tables
from ems.trips.cycle import Cycle
from ems.trips.demand import demand as demand_of_cycle

FIRST_STEP, LAST_STEP = 0.12, 0.06      # relative
NEARLY_RIGHT = 0.06                     # the first step for what is left of a layout whose ratios were found
GAIN = 2e-4                             # a step that gains less, relative, is not taken
UNFOLLOWED_G_KM = 1e6                   # more than any fuel: what a cycle not followed counts as, more for more of it
LONG_STEP = 3                           # intervals of the trip that the search takes as one

Ratios = tuple[Fraction, ...]


def best_ratios(layout: Layout, cycles: Sequence[Cycle], grid: Grid, progress: Progress | None = None,
                first_step: float = FIRST_STEP) -> Layout:
    """The layout with the gear ratios that need least fuel, mean over the cycles; as it is where nothing better is near.

    A layout that cannot follow is first led to ratios with which it can, by the seconds that it cannot, where there are such.
    first_step : relative; smaller where the ratios are thought to be nearly right
    Fuel alone is judged, and that the cycles are followed: what the car can still do is for whoever asks to tell.
    """
    say = progress or (lambda _: None)
    for every in (LONG_STEP, 1):
        found = _Search(layout, tuple(thinned(cycle, every) for cycle in cycles), grid, say).best(first_step)
        if found.digest == layout.digest:
            return layout
        before, after = (_mean_bound_g_km(each, cycles, grid) for each in (layout, found))
        if _followed(after):
            return found if after < before else layout
    return layout                   # what long steps let through cannot follow second by second


def scaled_ratio(layout: Layout, gear: str, factor: float) -> Layout:
    """The layout with one gear ratio multiplied; a fraction of millionths, so that the derivation stays exact."""
    return _with_ratios(layout, [in_millionths(float(g.ratio) * factor) if g.name == gear else g.ratio for g in layout.gears])


def in_millionths(value: float) -> Fraction:
    """The nearest fraction of millionths."""
    return Fraction(round(1e6 * value), 10**6)


def thinned(cycle: Cycle, every: int) -> Cycle:
    """The cycle in steps of so many of its own, speeds and grades read off at their ends; its last step may be shorter."""
    ends = np.unique(np.append(np.arange(0, cycle.time_s.size, every), cycle.time_s.size - 1))
    load_W = np.add.reduceat(cycle.auxiliary_W * np.diff(cycle.time_s), ends[:-1]) / np.diff(cycle.time_s[ends])
    return replace(cycle, time_s=cycle.time_s[ends], speed_m_s=cycle.speed_m_s[ends], grade=cycle.grade[ends], auxiliary_W=load_W)


def _with_ratios(layout: Layout, ratios: Sequence[Fraction]) -> Layout:
    return digested(replace(layout, gears=tuple(replace(g, ratio=ratio) for g, ratio in zip(layout.gears, ratios, strict=True))))


@dataclass(slots=True, eq=False)
class _Search:
    """The search for one layout; no ratios are judged twice."""

    layout: Layout
    cycles: tuple[Cycle, ...]
    grid: Grid
    say: Progress
    known: dict[Ratios, float] = field(default_factory=dict)

    def best(self, first_step: float) -> Layout:
        """The layout with the best ratios near its own."""
        best: Ratios = tuple(g.ratio for g in self.layout.gears)
        if not np.isfinite(self._fuel(best)):
            return self.layout
        step = first_step if _followed(self._fuel(best)) else max(first_step, FIRST_STEP)
        while True:
            best = self._compass(best, step)
            if 0.5 * step < LAST_STEP:
                return _with_ratios(self.layout, self._vertex(best, step))
            step *= 0.5

    def _compass(self, best: Ratios, step: float) -> Ratios:
        """Steps of one ratio at a time while any of them gains; back from where a ratio came is not tried."""
        onward, moved = [0] * len(best), True
        while moved:
            moved = False
            for i, way in enumerate(onward):
                for sign in (way,) if way else (1, -1):
                    trial = _stepped(best, i, sign * step)
                    if self._fuel(trial) < self._fuel(best) * (1.0 - GAIN):
                        best, moved, onward[i] = trial, True, sign
                        break
        return best

    def _vertex(self, best: Ratios, step: float) -> Ratios:
        """All ratios moved at once to where parabolas through both neighbours are least; the best itself where that gains nothing."""
        here, trial = self._fuel(best), best
        for i in range(len(best)):
            down, up = (self._fuel(_stepped(best, i, sign * step)) for sign in (-1, 1))
            bend = up - 2.0 * here + down
            if np.isfinite(bend) and bend > 0.0:
                trial = _stepped(trial, i, step * min(max(0.5 * (down - up) / bend, -1.0), 1.0))
        return trial if self._fuel(trial) < here else best

    def _fuel(self, ratios: Ratios) -> float:
        if ratios not in self.known:
            self.known[ratios] = _mean_bound_g_km(_with_ratios(self.layout, ratios), self.cycles, self.grid)
            self.say(f"ratios of {self.layout.name}: {len(self.known)} sets tried, "
                     f"best {', '.join(f'{float(r):.3f}' for r in min(self.known, key=lambda tried: self.known[tried]))}")
        return self.known[ratios]


def _stepped(ratios: Ratios, i: int, step: float) -> Ratios:
    """One ratio multiplied by ``1 + step``, or divided for a step down, so that a step back comes home."""
    factor = 1.0 + step if step >= 0.0 else 1.0 / (1.0 - step)
    return (*ratios[:i], in_millionths(float(ratios[i]) * factor), *ratios[i + 1:])


def rough_g_per_km(layout: Layout, cycles: Sequence[Cycle], grid: Grid) -> float:
    """What the search for ratios takes a layout's fuel to be, mean over the cycles; inf where it cannot follow."""
    found = _mean_bound_g_km(layout, tuple(thinned(cycle, LONG_STEP) for cycle in cycles), grid)
    return found if _followed(found) else float("inf")


def _followed(fuel_g_km: float) -> bool:
    return fuel_g_km < UNFOLLOWED_G_KM


def _mean_bound_g_km(layout: Layout, cycles: Sequence[Cycle], grid: Grid) -> float:
    """Lower bound of fuel per distance on rough tables; see ``_followed``; inf where nothing can be driven or the charge not be kept."""
    try:
        return float(np.mean([_bound_g_km(layout, cycle, _rough(grid)) for cycle in cycles]))
    except (InputError, RunError):
        return float("inf")


def _rough(grid: Grid) -> Grid:
    return grid._replace(free_points=max(3, grid.free_points // 3), torque_points=max(4, 2 * grid.torque_points // 5),
                         brake_points=max(2, grid.brake_points // 2), slope_steps=2)


def _bound_g_km(layout: Layout, cycle: Cycle, grid: Grid) -> float:
    plant = build_plant(layout, lanes=1)
    demand = demand_of_cycle(cycle, layout.vehicle)
    tables = build_tables(plant, demand, grid)
    lost_s = float(demand.dt_s[tables.count.sum(axis=1)[tables.demand_of] == 0].sum())
    if lost_s > 0.0:
        return UNFOLLOWED_G_KM * (1.0 + lost_s / float(demand.dt_s.sum()))
    energy = float(layout.battery.energy_J(layout.battery.soc_target))
    problem = build_problem(tables, energy, energy)
    costate = solve_costate(problem, FIRST_COSTATE / plant.heating_value_J_g, tolerance=1e-3)
    one = np.zeros(problem.points.dt.size + 1, np.int64)
    return best_bound(problem, costate.above.shape, one, costate.above.costate_g_J[-1:]).bound_g / (demand.distance_m / 1e3)
