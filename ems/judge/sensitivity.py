"""What a small change of each quantity changes: by solving again, checked against the derivative that the costate gives.

Re-solving: the optimum at both sides of the present value, with a step wide enough that the difference stands above its error bar.
Envelope theorem: the derivative of the least cost is that of the Lagrangian, in which the costate prices the battery and all choices are
free. The certificate is that Lagrangian, so its slope must be the same (P. Milgrom and I. Segal, Econometrica 70, 2002, state the theorem
for choice sets of any kind; from memory). The costate is let follow a little: held fixed, the cheapest trip of the Lagrangian may jump.
Fuel is no smooth function (a map is linear between its points), so both are taken over the same step. The Lagrangian is that of the
affine values: where these leave a gap of their own to the trip, the two slopes may differ by as much as the gaps at both sides do.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.errors import InputError, Mistake, RunError, nearest_name
from ems.judge.bars import Bar, litres_per_100km
from ems.judge.levers import Lever, levers
from ems.kernels.frontier import Grid
from ems.layout.model import Layout
from ems.plant.plant import LANES, build_plant
from ems.solve.certificate import Bound, best_bound
from ems.solve.clock import Progress
from ems.solve.optimum import Optimum, optimum
from ems.solve.problem import Problem, build_problem
from ems.solve.steps import SPREAD, slopes_around
from ems.tables.build import DEFAULT_GRID, build_tables, distinct_demands
from ems.trips.cycle import Cycle
from ems.trips.demand import demand as demand_of_cycle

if TYPE_CHECKING:
    import pandas as pd

STEPS = (0.05, 0.1, 0.2)        # relative, to either side; the first whose difference stands clear is kept
CLEAR = 3.0                     # times its error bar
ENVELOPE_STEP = 0.02            # where nothing is solved again; supports found on either side differ by some 0.05 % of the fuel
MOST_SEARCHES, MOVED = 12, 0.01  # searches of a costate that followed, repeated while it moves by more than this, relative
SUPPORTS = 0.08                 # share of a slope by which they may part the two figures


@dataclass(frozen=True, slots=True)
class Row:
    """Change of least fuel for one per cent more of a quantity.

    per_percent : by solving again [l/100 km]; None where no step can be followed on both sides, or only the envelope was asked for
    elasticity : per cent of fuel for one per cent      step_percent : to either side
    bend : second difference over the first: how far from straight      tie : not above the error bar even with the widest step
    envelope_per_percent : from the costate, over the same step [l/100 km]
    agrees : the two within what the affine values leave; None where one is missing
    """

    quantity: str
    value: str
    per_percent: Bar | None
    elasticity: Bar | None
    step_percent: float | None
    bend: float | None
    tie: bool
    envelope_per_percent: float | None
    agrees: bool | None
    why: str = ""

    @property
    def size(self) -> float:
        """Magnitude by which rows are ranked."""
        if self.per_percent is not None:
            return abs(self.per_percent.value)
        return abs(self.envelope_per_percent or 0.0)


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """Every quantity, the one that moves fuel most first; ``base`` is the optimum all steps start from."""

    base: Optimum
    fuel: Bar
    rows: tuple[Row, ...]

    def to_dict(self) -> dict[str, Any]:
        """The JSON of ``ems sensitivity``."""
        return {"layout": self.base.layout.name, "cycle": self.base.cycle.name, "fuel_l_per_100km": asdict(self.fuel),
                "costate": self.base.costate, "quantities": [asdict(row) for row in self.rows]}

    def to_frame(self) -> pd.DataFrame:
        """One row a quantity, l/100 km for one per cent."""
        import pandas as pd

        def flat(row: Row) -> dict[str, Any]:
            bars = {"per_percent": row.per_percent, "elasticity": row.elasticity}
            values = {name: value for name, value in asdict(row).items() if name not in bars}
            ends = ("value", "low", "high")
            return values | {f"{name}_{end}": getattr(bar, end) if bar else None for name, bar in bars.items() for end in ends}

        return pd.DataFrame([flat(row) for row in self.rows])


def sensitivity(layout: Layout, cycle: Cycle, *, charge: tuple[float, float] | None = None, grid: Grid = DEFAULT_GRID, lanes: int = LANES,
                quantities: Sequence[str] = (), resolve: bool = True, progress: Progress | None = None) -> Sensitivity:
    """What one per cent of each quantity changes.

    quantities : names of those asked for, or beginnings of names; all when empty
    resolve : solve again; False: the derivative from the costate alone, much quicker      charge, grid, lanes : as of ``optimum``
    Raises ``InputError`` for a quantity that is not known, ``CycleNotFollowed``, ``RunError``.
    """
    say = progress or (lambda _: None)
    chosen = chosen_levers(layout, quantities)
    base = optimum(layout, cycle, charge=charge, grid=grid, lanes=lanes, progress=say)
    rows = []
    for lever in chosen:
        say(f"sensitivity to {lever.name}")
        rows.append(_row(base, lever, lambda changed: optimum(changed, cycle, charge=charge, grid=grid, lanes=lanes), resolve))
    rows.sort(key=lambda r: -r.size)
    return Sensitivity(base, litres_per_100km(base), tuple(rows))


def chosen_levers(layout: Layout, names: Sequence[str]) -> list[Lever]:
    """The quantities of a layout whose names are, or begin with, one of those asked for; all when none is.

    Raises ``InputError`` for a name that no quantity begins with.
    """
    every = list(levers(layout))
    known = [lever.name for lever in every]
    mistakes = [Mistake("--quantity", "", f"'{name}'", f"a quantity or its beginning: {', '.join(known)}", nearest_name(name, known))
                for name in names if not any(k.startswith(name) for k in known)]
    if mistakes:
        raise InputError(mistakes)
    return [lever for lever in every if not names or any(lever.name.startswith(name) for name in names)]


def _row(base: Optimum, lever: Lever, solve: Callable[[Layout], Optimum], resolve: bool) -> Row:
    if not resolve:
        envelope, why = _attempt(lambda: envelope_per_percent(base, lever))
        return Row(lever.name, lever.value, None, None, None, None, False, envelope, None, why)
    sides, step, why = _clear_sides(base, lever, solve)
    envelope, why_not = _attempt(lambda: envelope_per_percent(base, lever, step or ENVELOPE_STEP))
    if not sides:
        return Row(lever.name, lever.value, None, None, None, None, False, envelope, None, why or why_not)
    here, slope = litres_per_100km(base), _slope(sides, step)
    low, high = (side.objective_g for side in sides)
    bend = _ratio(high - 2.0 * base.objective_g + low, high - low)
    apart = _affine_half(sides, step) + SUPPORTS * abs(slope.value)
    agrees = None if envelope is None else abs(envelope - slope.value) <= apart
    return Row(lever.name, lever.value, slope, slope * (100.0 / here.value), 100.0 * step, bend, slope.holds_zero, envelope, agrees,
               why_not)


def _clear_sides(base: Optimum, lever: Lever, solve: Callable[[Layout], Optimum]) -> tuple[tuple[Optimum, ...], float, str]:
    """Optima below and above with the first step whose difference stands clear, else the widest possible one; the step; why no wider."""
    found: tuple[Optimum, ...] = ()
    step = 0.0
    for trial in STEPS:
        sides, why = _attempt(lambda trial=trial: tuple(solve(lever.turned(base.layout, 1.0 + s * trial)) for s in (-1.0, 1.0)))  # type: ignore[misc]
        if sides is None:
            return found, step, why
        found, step = sides, trial
        slope = _slope(found, step)
        if abs(slope.value) > CLEAR * slope.half:
            break
    return found, step, ""


def _slope(sides: tuple[Optimum, ...], step: float) -> Bar:
    low, high = map(litres_per_100km, sides)
    return (high - low) * (1.0 / (200.0 * step))


def _affine_half(sides: tuple[Optimum, ...], step: float) -> float:
    """Half of the bar of a slope whose sides are only known down to their affine bounds [l/100 km for one per cent]."""
    return max(_per_gram(side) * (side.objective_g - side.bound.bound_g) + litres_per_100km(side).value * side.table_error_percent / 100.0
               for side in sides) / (200.0 * step)


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if abs(whole) > 1e-9 else None


def _attempt(work: Callable[[], Any]) -> tuple[Any, str]:
    """The result and no words, or None and why there is none."""
    from ems.errors import CycleNotFollowed

    try:
        return work(), ""
    except (InputError, RunError, CycleNotFollowed) as error:
        return None, str(error)


def envelope_per_percent(base: Optimum, lever: Lever, step: float = ENVELOPE_STEP) -> float:
    """Derivative of the least fuel by a quantity, from the certificate [l/100 km for one per cent]."""
    below, above = (_certificate_g(base, lever.turned(base.layout, 1.0 + s * step), step) for s in (-1.0, 1.0))
    return (above - below) * _per_gram(base) / (200.0 * step)


def _per_gram(found: Optimum) -> float:
    """[l/100 km] of a gram."""
    return 100.0 / found.layout.engine.engine.fuel.density_g_l / found.distance_km


def _certificate_g(base: Optimum, layout: Layout, step: float) -> float:
    """The certificate of a layout changed by a step, from the costate of the base; charges at both ends as there."""
    lanes = 1 + max(node.lane for node in base.problem.plant.nodes)
    plant = build_plant(layout, lanes=lanes)
    demand = demand_of_cycle(base.cycle, layout.vehicle)
    _, demand_of = distinct_demands(plant, demand)
    tables = build_tables(plant, demand, base.tables.grid, slopes_around(base.bound, demand_of, base.problem.fuel_factor, SPREAD + step))
    if (tables.count.sum(axis=1)[tables.demand_of] == 0).any():
        raise RunError("the cycle cannot be followed a little beside the present value")
    battery, old = layout.battery, base.layout.battery
    start_J, target_J = (float(battery.energy_J(old.soc_at(e))) for e in (base.problem.start_J, base.problem.target_J))
    problem = build_problem(tables, start_J, target_J, fuel_factor=base.problem.fuel_factor)
    return _followed_bound(problem, base.bound).bound_g


def _followed_bound(problem: Problem, old: Bound) -> Bound:
    """The best bound that the costate leads to from that of another problem; repeated where a search came as far as it looks."""
    bound, begin = best_bound(problem, old.shape, old.segments, old.values_g_J), old.values_g_J
    for _ in range(MOST_SEARCHES):
        if float(np.max(np.abs(bound.values_g_J / begin - 1.0))) < MOVED:
            break
        again = best_bound(problem, bound.shape, bound.segments, bound.values_g_J)
        begin, bound = bound.values_g_J, max(again, bound, key=lambda b: b.bound_g)
    return bound
