"""A driven trip held against the optimum that ends with its charge: gap, ledger, foresight and calibration."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from ems.judge.gap import at_or_below
from ems.judge.ledger import CAUSES, Ledger, ledger, prices
from ems.judge.played import best_trace_of
from ems.judge.rollup import Entry, pair, phases, power_bands, rolled_up, speed_bands
from ems.judge.stretches import Stretch, costliest
from ems.layout.model import Layout
from ems.plant.battery_use import BatteryUse, battery_use
from ems.plant.modes import configuration_changes, engine_starts
from ems.plant.trace import Trace
from ems.solve.clock import Progress
from ems.solve.optimum import Optimum, optimum
from ems.solve.stochastic import Causal, best_causal
from ems.tables.build import DEFAULT_GRID
from ems.trips.cycle import Cycle
from ems.types import Array

if TYPE_CHECKING:
    import pandas as pd

    from ems.kernels.frontier import Grid

STRATEGY = "strategy"       # the best causal controller known is the strategy itself


class Simulated(Protocol):
    """A trip that somebody drove: a simulation of a strategy, or anything with the same attributes."""

    @property
    def layout(self) -> Layout: ...
    @property
    def cycle(self) -> Cycle: ...
    @property
    def strategy(self) -> str: ...
    @property
    def trace(self) -> Trace: ...
    @property
    def energy_J(self) -> Array: ...
    @property
    def corrections(self) -> Mapping[str, int]: ...
    @property
    def warnings(self) -> tuple[str, ...]: ...


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """How far a trip is from the optimum with the same charge at both ends, and where the difference comes from.

    gap_g = strategy minus lower bound = ledger_sum_g = optimum_slack_g + foresight_g + calibration_g
    optimum_slack_g : optimum minus lower bound, what the proof leaves open       optimum_ledger_g : sum of the optimum's own prices
    foresight_g : best controller known that does not see ahead, minus optimum; calibration_g : strategy minus that controller
    causal : method of that controller ('instantaneous', 'stochastic', or 'strategy' where nothing causal was better)
    causals : what was tried, with its tuning       trace, best_trace : the trip, and the best choices at its states
    battery_use, optimum_battery_use : what both trips ask of the battery for longer than ten seconds
    by_* : roll-ups of the prices; names of ``by_mode`` are 'chosen -> optimal at that state'
    """

    layout: Layout
    cycle: Cycle
    strategy: str
    ledger: Ledger
    optimum: Optimum
    trace: Trace
    best_trace: Trace
    warnings: tuple[str, ...]
    distance_km: float
    soc_start: float
    soc_end: float
    strategy_fuel_g: float
    strategy_objective_g: float
    strategy_l_per_100km: float
    optimum_objective_g: float
    optimum_l_per_100km: float
    optimum_gap_percent: float
    table_error_percent: float
    lower_bound_g: float
    gap_g: float
    gap_percent: float
    ledger_sum_g: float
    min_price_g: float
    optimum_slack_g: float
    optimum_ledger_g: float
    foresight_g: float
    calibration_g: float
    causal: str
    causals: tuple[dict[str, Any], ...]
    by_cause: dict[str, float]
    by_mode: tuple[Entry, ...]
    by_speed_band: tuple[Entry, ...]
    by_power_band: tuple[Entry, ...]
    by_phase: tuple[Entry, ...]
    stretches: tuple[Stretch, ...]
    corrections: dict[str, int]
    battery_use: BatteryUse
    optimum_battery_use: BatteryUse

    @property
    def counted(self) -> dict[str, int]:
        """Engine starts and changes of configuration of both trips, as they stand in the JSON."""
        plant, node = self.trace.plant, self.trace.node
        return {"engine_starts": engine_starts(plant, node), "configuration_changes": configuration_changes(plant, node),
                "optimum_engine_starts": self.optimum.engine_starts, "optimum_configuration_changes": self.optimum.configuration_changes}

    def to_dict(self) -> dict[str, Any]:
        """Everything but the objects, layout and cycle by name: the JSON of ``ems compare``."""
        objects = {"layout", "cycle", "ledger", "optimum", "trace", "best_trace"}
        out: dict[str, Any] = {"layout": self.layout.name, "cycle": self.cycle.name}
        litre_km = self.layout.engine.engine.fuel.co2_g_l / 100.0
        least = self.optimum
        out |= {"co2_g_per_km": litre_km * self.strategy_l_per_100km, "optimum_co2_g_per_km": litre_km * self.optimum_l_per_100km,
                "floor_l_per_100km": least.floor_l_per_100km, "grid": dict(least.grid)} | self.counted
        for f in fields(self):
            if f.name not in objects:
                value: Any = getattr(self, f.name)
                unpack = isinstance(value, tuple) and bool(value) and hasattr(value[0], "to_dict")
                out[f.name] = [v.to_dict() for v in value] if unpack else value.to_dict() if isinstance(value, BatteryUse) else value
        return out

    def to_frame(self) -> pd.DataFrame:
        """The ledger, one row an interval, indexed by ``time_s``: price, causes, what was chosen and what was best there."""
        import pandas as pd

        chosen, best = self.trace.columns, self.best_trace.columns
        columns = {
            "speed_kmh": chosen["speed_kmh"], "wheel_power_kW": chosen["wheel_power_kW"], "soc_start": chosen["soc_start"],
            "price_g": self.ledger.price_g, **{f"{c}_g": self.ledger.causes_g[c] for c in CAUSES},
            "configuration": chosen["configuration"], "mode": chosen["mode"],
            "best_configuration": best["configuration"], "best_mode": best["mode"],
            "fuel_g_s": chosen["fuel_g_s"], "best_fuel_g_s": best["fuel_g_s"],
            "battery_power_kW": chosen["battery_power_kW"], "best_battery_power_kW": best["battery_power_kW"],
            "engine_power_kW": chosen["engine_power_kW"], "best_engine_power_kW": best["engine_power_kW"],
        }
        return pd.DataFrame(columns, index=pd.Index(np.asarray(chosen["time_s"]), name="time_s"))


def compare(simulation: Simulated, *, progress: Progress | None = None, grid: Grid = DEFAULT_GRID) -> Comparison:
    """Hold a simulated trip against the optimum of the same layout and cycle that starts and ends with the trip's charge.

    Raises what ``ems.optimum`` raises, and ``RunError`` where the trip's stored energy does not follow from its choices.
    """
    say = progress or (lambda _: None)
    found, entries = held_against(simulation, progress=say, grid=grid)
    say("controllers that do not see ahead")
    causals = best_causal(entries.problem, float(entries.bound.costate_g_J[-1]))
    return _comparison(simulation, found, entries, causals)


def held_against(simulation: Simulated, *, progress: Progress, grid: Grid = DEFAULT_GRID) -> tuple[Optimum, Ledger]:
    """The optimum with a trip's charge at both ends, and the ledger of the trip."""
    battery = simulation.layout.battery
    ends = [float(np.clip(battery.soc_at(e), battery.soc_low, battery.soc_high)) for e in simulation.energy_J[[0, -1]]]
    found = _reference(simulation, (ends[0], ends[1]), progress, grid)
    progress("ledger")
    return found, ledger(found.problem, found.bound, simulation.trace, simulation.energy_J)


def _reference(simulation: Simulated, charge: tuple[float, float], say: Progress, grid: Grid) -> Optimum:
    """The optimum with the trip's charge at both ends; a little less at the end where its search misses a target that the trip met."""
    start, end = charge
    lanes = 1 + max(n.lane for n in simulation.trace.plant.nodes)
    _, found = at_or_below(lambda asked: optimum(simulation.layout, simulation.cycle, charge=(start, asked), progress=say, grid=grid,
                                                 lanes=lanes), end, simulation.layout.battery.soc_low)
    return found


def _comparison(simulation: Simulated, found: Optimum, entries: Ledger, causals: tuple[Causal, ...]) -> Comparison:
    own, bound_g = entries.driven.objective_g, entries.bound.bound_g
    missing_J = entries.problem.target_J - found.problem.target_J      # not nothing only where the optimum could not be asked for the same
    reference_g = found.objective_g + float(entries.bound.costate_g_J[-1]) * missing_J
    best_g = min(reference_g, own)
    causal_g, causal = min([(c.cost_g, c.method) for c in causals] + [(own, STRATEGY)])
    causal_g = max(causal_g, best_g)
    best_trace = best_trace_of(simulation.trace, entries)
    demand = simulation.trace.demand
    sums = (demand.dt_s, entries.price_g, entries.causes_g)
    pairs = [pair(str(a), str(b)) for a, b in zip(simulation.trace.columns["mode"], best_trace.columns["mode"], strict=True)]
    speed, power, phase = speed_bands(demand), power_bands(demand), phases(simulation.cycle, demand)
    price_g = float(np.asarray(simulation.trace.columns["transition_price_g"], float).sum())
    fuel = simulation.layout.engine.engine.fuel
    litres = 100.0 / (fuel.density_g_l * demand.distance_m / 1e3)
    return Comparison(
        layout=simulation.layout, cycle=simulation.cycle, strategy=simulation.strategy, ledger=entries, optimum=found,
        trace=simulation.trace, best_trace=best_trace, warnings=(*simulation.warnings, *_warnings(simulation, found, entries)),
        distance_km=demand.distance_m / 1e3, soc_start=found.soc_start, soc_end=_soc_end(simulation),
        strategy_fuel_g=own - price_g, strategy_objective_g=own, strategy_l_per_100km=(own - price_g) * litres,
        optimum_objective_g=best_g, optimum_l_per_100km=found.fuel_l_per_100km, optimum_gap_percent=found.gap_percent,
        table_error_percent=found.table_error_percent, lower_bound_g=bound_g, gap_g=own - bound_g,
        gap_percent=100.0 * (own - bound_g) / own if own > 0.0 else 0.0, ledger_sum_g=entries.sum_g,
        min_price_g=float(entries.price_g.min()), optimum_slack_g=best_g - bound_g, optimum_ledger_g=_own_prices_g(found, entries),
        foresight_g=causal_g - best_g, calibration_g=own - causal_g, causal=causal, causals=tuple(c.to_dict() for c in causals),
        by_cause={c: float(entries.causes_g[c].sum()) for c in CAUSES}, by_mode=rolled_up(pairs, *sums),
        by_speed_band=rolled_up(speed[0], *sums, speed[1]), by_power_band=rolled_up(power[0], *sums, power[1]),
        by_phase=rolled_up(phase[0], *sums, phase[1]), stretches=costliest(entries, simulation.trace, best_trace, found.trace),
        corrections=dict(simulation.corrections), battery_use=battery_use(simulation.trace),
        optimum_battery_use=found.battery_use)


def _own_prices_g(found: Optimum, entries: Ledger) -> float:
    """Sum of the prices of the optimum's own trip, by the very values the strategy was priced by."""
    columns, dt_s = found.trace.columns, found.trace.demand.dt_s
    energy_kJ = np.append(np.asarray(columns["battery_energy_start_kJ"], float), np.asarray(columns["battery_energy_end_kJ"], float)[-1])
    own, _ = prices(entries.problem, entries.bound, found.trace.node, np.asarray(columns["fuel_g_s"], float) * dt_s, 1e3 * energy_kJ)
    return float(own.sum())


def _soc_end(simulation: Simulated) -> float:
    return float(simulation.layout.battery.soc_at(simulation.energy_J[-1]))


def _warnings(simulation: Simulated, found: Optimum, entries: Ledger) -> list[str]:
    """What a reader must know of the figures."""
    battery, window = simulation.trace.plant.battery, entries.problem.window_J
    said = [w for w in found.warnings if w not in simulation.warnings]
    asked = float(simulation.layout.battery.soc_at(found.problem.target_J))
    if abs(asked - _soc_end(simulation)) > 1e-6:
        said.append(f"the optimum was asked for a charge of {asked:.4f} at the end, and the difference is made good at the costate")
    if entries.problem.states < found.problem.states:
        said.append("the strategy changes sooner than the least times between changes allow; the lower bound is computed without them")
    if window != (battery.low_J, battery.high_J):
        depth = max(battery.low_J - window[0], window[1] - battery.high_J) / 1e3
        said.append(f"the strategy leaves the battery's window by {depth:.1f} kJ; the lower bound is computed for the wider window")
    if entries.driven.objective_g < found.objective_g:
        said.append(f"the strategy is {found.objective_g - entries.driven.objective_g:.3f} g below the optimum of the tables, which are no "
                    "finer than their error says; its own trip is taken as the best known")
    return said
