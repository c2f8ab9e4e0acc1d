"""A hybrid that is charged from the mains: depleting sequence, sustaining run, and what regulations make of them.

The depleting sequence is driven electric first, cycle by cycle, until the charge reaches that of the sustaining run. The cycle in
which it does is the transition cycle: electric up to that second, the optimum of the rest behind it. The rest begins as from rest, so
a first engagement in motion is counted once; the break between two runs is no more than that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from ems.components.fuel import Fuel
from ems.errors import InputError, Mistake
from ems.judge.course import Course, course_of, joined
from ems.kernels.frontier import Grid
from ems.layout.model import Layout
from ems.regulations import charge_balance, un_gtr15
from ems.regulations.figures import CHARGER_EFFICIENCY, ChargeRuns, Figures, Part, Weighted, figures_of
from ems.regulations.weightings import WEIGHTINGS
from ems.solve.electric_first import ElectricFirst, electric_first
from ems.solve.optimum import Optimum, optimum
from ems.tables.build import DEFAULT_GRID
from ems.trips.cycle import Cycle
from ems.trips.demand import demand
from ems.trips.pieces import piece, repeated

MOST_CYCLES = 100
LEAST_REST_M = 50.0
NEARLY_EMPTY = 1e-3         # of the window above the sustaining charge: empty
REGRESSION_SHARES = (-0.02, -0.01, 0.01, 0.02)   # electric energy of the regression's runs, of the fuel's energy
BLENDED_GAP_PERCENT = 0.1   # of the little fuel of a trip from full to empty: a narrower gap takes minutes

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True, eq=False)
class Leg:
    """One cycle of the sequence. Units in the names.

    kind : 'electric', 'assisted' (the engine had to help), 'transition' or 'sustaining'
    electric_km : way until the engine first burns fuel      battery_kWh : given at the terminals      stored_kWh : taken from the store
    balance_percent : stored_kWh of the cycle energy, which the break-off looks at: charge at open-circuit voltage, so that a run which
    sustains its charge has none (the regulation multiplies current by a nominal or measured voltage)
    bar_percent : how far the fuel of the part that was optimised may be off      parts : phases
    """

    kind: str
    soc_start: float
    soc_end: float
    distance_km: float
    electric_km: float
    fuel_l_per_100km: float
    co2_g_per_km: float
    battery_kWh: float
    stored_kWh: float
    balance_percent: float
    bar_percent: float
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Correction:
    """The regression over our own runs, and what it makes of each.

    electric_kWh_per_100km, fuel_l_per_100km : of the runs      slope : K_fuel [l/kWh]
    corrected_l_per_100km : each run at balanced charge      costate_slope : the same from the costate of the balanced run [l/kWh]
    """

    electric_kWh_per_100km: tuple[float, ...]
    fuel_l_per_100km: tuple[float, ...]
    slope: float
    corrected_l_per_100km: tuple[float, ...]
    costate_slope: float


@dataclass(frozen=True, slots=True, eq=False)
class Chargeable:
    """Depleting, sustaining and weighted, always together.

    legs : the depleting sequence, then the sustaining run that confirms its end      transition : cycles counted as depleting
    blended : figures of the optimum for the known trip of as many cycles, from full to empty; None when not asked for
    correction : the charge balance; None when not asked for
    """

    layout: str
    cycle: str
    charge: tuple[float, float]
    charger_efficiency: float
    legs: tuple[Leg, ...]
    transition: int
    electric_range_km: float
    depleting_range_km: float
    actual_depleting_range_km: float
    equivalent_electric_range_km: float
    depleting: Figures
    sustaining: Figures
    sustaining_bar_percent: float
    weighted: dict[str, Weighted]
    blended: Figures | None
    blended_bar_percent: float | None
    correction: Correction | None

    def to_dict(self) -> dict[str, Any]:
        """Everything, nested: the JSON of ``ems chargeable``."""
        return asdict(self)


def chargeable(layout: Layout, cycle: Cycle, *, charge: tuple[float, float] | None = None, grid: Grid = DEFAULT_GRID,
               charger_efficiency: float = CHARGER_EFFICIENCY, blended: bool = True, correction: bool = True,
               progress: Progress | None = None) -> Chargeable:
    """Depleting, sustaining and weighted figures of a layout on a cycle.

    charge : when full, and when depleted; the upper end of the window and the target when None
    charger_efficiency : from the mains to the battery's store
    blended : whether the optimum for the known trip is found too      correction : whether the regression is
    Raises ``InputError`` for a charge that cannot be used up, ``CycleNotFollowed``, ``RunError``.
    """
    say = progress or (lambda _: None)
    full, empty = charge or (layout.battery.soc_high, layout.battery.soc_target)
    _check(layout, full, empty)
    say("sustaining run")
    sustained = optimum(layout, cycle, charge=(empty, empty), grid=grid, progress=progress)
    legs = _depleting(electric_first(layout, cycle, grid=grid, progress=progress), full, empty, grid, say)
    legs.append(_leg("sustaining", layout, cycle, course_of(sustained.trace), empty, _bar(sustained), sustained))
    energy_J = sustained.trace.demand.cycle_energy_J
    confirming = (i for i, leg in enumerate(legs) if un_gtr15.breaks_off(3.6e6 * leg.stored_kWh, energy_J))
    count = next(confirming, len(legs) - 1)
    runs = _runs(legs, count, charger_efficiency)
    mixed = _blend(layout, cycle, full, empty, max(count, 1), grid, charger_efficiency, progress) if blended else None
    parts = [p for leg in runs.depleting for p in leg]
    sustaining_co2 = runs.sustaining.co2_g_per_km
    return Chargeable(
        layout.name, cycle.name, (full, empty), charger_efficiency, tuple(legs), count, runs.electric_range_km,
        sum(p.distance_km for p in parts), un_gtr15.actual_depleting_range_km(runs.depleting, sustaining_co2),
        un_gtr15.equivalent_electric_range_km(runs.depleting, sustaining_co2), depleting_figures(runs), runs.sustaining, _bar(sustained),
        {name: weighting.of(runs) for name, weighting in WEIGHTINGS.items()},
        None if mixed is None else mixed[0], None if mixed is None else mixed[1],
        _correction(layout, cycle, empty, sustained, grid, say) if correction else None)


def _check(layout: Layout, full: float, empty: float) -> None:
    battery = layout.battery
    if not battery.soc_low <= empty < full <= battery.soc_high:
        raise InputError([Mistake("--charge", "", f"{full:g}:{empty:g}", "full above depleted, both in the window of battery "
                                  f"{battery.name}, {battery.soc_low:g} to {battery.soc_high:g}")])


def _bar(found: Optimum) -> float:
    return found.gap_percent + found.table_error_percent


def _depleting(electric: ElectricFirst, full: float, empty: float, grid: Grid, say: Progress) -> list[Leg]:
    """Cycles from full charge until the sustaining charge is reached."""
    legs: list[Leg] = []
    soc = full
    while len(legs) < MOST_CYCLES:
        say(f"depleting, cycle {len(legs) + 1}")
        leg = _one_cycle(electric, soc, empty, grid)
        legs.append(leg)
        if leg.kind == "transition" or leg.soc_end <= empty:
            return legs
        if leg.soc_end >= soc:
            break
        soc = leg.soc_end
    word = electric.cycle.name
    raise InputError([Mistake("--cycle", "", f"'{word}', which leaves a charge of {legs[-1].soc_end:.3f} after {len(legs)} cycles",
                              f"a cycle that uses up the battery within {MOST_CYCLES} of them")])


def _one_cycle(electric: ElectricFirst, soc: float, empty: float, grid: Grid) -> Leg:
    layout, cycle = electric.layout, electric.cycle
    rows = course_of(electric.drive(soc))
    margin = NEARLY_EMPTY * (layout.battery.soc_high - layout.battery.soc_low)
    low = np.flatnonzero(rows.soc_end < empty + margin)
    first = int(low[0]) if low.size else rows.soc_end.size
    if float(rows.distance_m[first:].sum()) <= LEAST_REST_M:
        return _leg("assisted" if rows.fuel_g.any() else "electric", layout, cycle, rows, soc, 0.0)
    if first == 0:
        rest = optimum(layout, cycle, charge=(soc, empty), grid=grid)
        return _leg("transition", layout, cycle, course_of(rest.trace), soc, _bar(rest))
    rest = optimum(layout, piece(cycle, first), charge=(float(rows.soc_end[first - 1]), empty), grid=grid)
    return _leg("transition", layout, cycle, joined(rows[:first], course_of(rest.trace)), soc, _bar(rest))


def _leg(kind: str, layout: Layout, cycle: Cycle, rows: Course, soc: float, bar_percent: float, found: Optimum | None = None) -> Leg:
    fuel = layout.engine.engine.fuel
    km, litres = float(rows.distance_m.sum()) / 1e3, float(rows.fuel_g.sum()) / fuel.density_g_l
    terminal_J, stored_J = float(rows.terminal_J.sum()), float(rows.stored_J.sum())
    energy_J = demand(cycle, layout.vehicle).cycle_energy_J
    return Leg(kind, soc, float(rows.soc_end[-1]), km, rows.electric_km, 100.0 * litres / km, litres * fuel.co2_g_l / km,
               terminal_J / 3.6e6, stored_J / 3.6e6, 100.0 * stored_J / energy_J, bar_percent,
               _parts(cycle, rows, fuel))


def _parts(cycle: Cycle, rows: Course, fuel: Fuel) -> tuple[Part, ...]:
    """Phases in order; energy from the store in place of the mains. A cycle whose phases leave something out is one part."""
    index = cycle.phase_index
    whole = len(cycle.phases) < 2 or bool(np.any((index < 0) & (rows.distance_m > 0.0)))
    groups = [np.ones(index.size, bool)] if whole else [index == i for i in range(len(cycle.phases))]
    parts = []
    for inside in groups:
        litres = float(rows.fuel_g[inside].sum()) / fuel.density_g_l
        parts.append(Part(float(rows.distance_m[inside].sum()) / 1e3, litres, litres * fuel.co2_g_l,
                          float(rows.stored_J[inside].sum()) / 3.6e6))
    return tuple(parts)


def _runs(legs: list[Leg], count: int, charger_efficiency: float) -> ChargeRuns:
    """What the regulations weigh: the first ``count`` cycles, and the last, which sustains its charge."""
    depleting = tuple(tuple(Part(p.distance_km, p.fuel_l, p.co2_g, p.mains_kWh / charger_efficiency) for p in leg.parts)
                      for leg in legs[:count])
    last = legs[-1]
    return ChargeRuns(depleting, Figures(last.fuel_l_per_100km, last.co2_g_per_km, 0.0), _electric_range_km(legs))


def _electric_range_km(legs: list[Leg]) -> float:
    total = 0.0
    for leg in legs:
        total += leg.electric_km
        if leg.electric_km < leg.distance_km - 1e-9:
            break
    return total


def depleting_figures(runs: ChargeRuns) -> Figures:
    """Figures of the whole depleting sequence; the sustaining ones where there is none."""
    return figures_of([p for leg in runs.depleting for p in leg]) if runs.depleting else runs.sustaining


def _blend(layout: Layout, cycle: Cycle, full: float, empty: float, times: int, grid: Grid, charger_efficiency: float,
           progress: Progress | None) -> tuple[Figures, float]:
    """The optimum for the trip of so many cycles, known beforehand."""
    if progress is not None:
        progress(f"blended optimum over {times} cycles")
    found = optimum(layout, repeated(cycle, times), charge=(full, empty), grid=grid, progress=progress, gap_percent=BLENDED_GAP_PERCENT)
    stored_kWh = float(course_of(found.trace).stored_J.sum()) / 3.6e6
    return (Figures(found.fuel_l_per_100km, found.co2_g_per_km, 100.0 * stored_kWh / charger_efficiency / found.distance_km), _bar(found))


def _correction(layout: Layout, cycle: Cycle, empty: float, sustained: Optimum, grid: Grid, say: Progress) -> Correction:
    """Runs that end a little above and below where they start, and the regression over them and the balanced run."""
    battery, fuel = layout.battery, layout.engine.engine.fuel
    runs = [sustained]
    for share in REGRESSION_SHARES:
        say(f"charge balance: run with {100 * share:+g} % of the fuel's energy from the battery")
        low_J = float(battery.energy_J(empty))
        high = float(battery.soc_at(low_J + abs(share) * sustained.fuel_g * fuel.heating_value_J_g))
        runs.append(optimum(layout, cycle, charge=(high, empty) if share > 0.0 else (empty, high), grid=grid))
    electric = [100.0 * float(course_of(r.trace).stored_J.sum()) / 3.6e6 / r.distance_km for r in runs]
    litres = [r.fuel_l_per_100km for r in runs]
    slope = charge_balance.coefficient(electric, litres)
    per_kWh = 3.6e6 / fuel.heating_value_J_g / fuel.density_g_l
    return Correction(tuple(electric), tuple(litres), slope,
                      tuple(charge_balance.corrected(b, a, slope) for a, b in zip(electric, litres, strict=True)),
                      -sustained.costate * per_kWh)
