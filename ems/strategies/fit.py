"""A start for tuning: thresholds and gear lines fitted to what the optimum did.

Every threshold is the one that tells apart best, counted in seconds, what the optimum chose: engine or none by power and by speed,
a longer gear or a shorter one by speed, a fixed ratio or a free one by speed. The load's share is a least-squares fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ems.kernels.plant import COUPLED
from ems.plant.plant import Plant
from ems.plant.trace import Trace
from ems.strategies.calibration import Calibration, Rung, changed, per_charge_kW
from ems.strategies.engine_lines import best_line_share
from ems.types import Array, BoolArray, IntArray

FEWEST_S = 20               # seconds on either side below which a threshold is left as it was
HALF_HYSTERESIS_KMH = 3.0
SLOW_KMH = (15.0, 20.0, 25.0, 30.0, 35.0, 40.0, 45.0, 50.0, 60.0)       # looked at for where the power limit begins to rise
SLOW_RISES_KW = (0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 40.0, 60.0)          # and for by how much it has risen at rest


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What optima did, in seconds of driving with power at the wheels: node, speed_kmh, power_kW, engine_kW, all (n,)."""

    node: IntArray
    speed_kmh: Array
    power_kW: Array
    engine_kW: Array


def fitted(calibration: Calibration, plant: Plant, trips: Sequence[Trace]) -> Calibration:
    """The calibration with its thresholds fitted to the optima of some trips."""
    seen = _seen(trips)
    values = _electric(seen, plant) | _lines(seen, plant, calibration) | _series(seen, plant, calibration) | _load(seen, plant)
    return changed(calibration, values)


def _seen(trips: Sequence[Trace]) -> Seen:
    columns = {name: np.concatenate([np.asarray(t.columns[name], float) for t in trips])
               for name in ("speed_kmh", "wheel_power_kW", "engine_power_kW")}
    driving = (columns["wheel_power_kW"] > 0.0) & (columns["speed_kmh"] > 0.0)
    node = np.concatenate([t.node for t in trips])
    return Seen(node[driving], columns["speed_kmh"][driving], columns["wheel_power_kW"][driving], columns["engine_power_kW"][driving])


def threshold(value: Array, above: BoolArray) -> float | None:
    """The value that separates best, in number, those that are above from those that are not; None where either are too few."""
    if min(int(above.sum()), int((~above).sum())) < FEWEST_S:
        return None
    order = np.argsort(value, kind="stable")
    sorted_above = above[order]
    wrong = np.concatenate([[0], np.cumsum(sorted_above)]) + np.concatenate([np.cumsum((~sorted_above)[::-1])[::-1], [0]])
    best = int(np.argmin(wrong))
    at = value[order]
    return float(at[0] if best == 0 else at[-1] if best == at.size else 0.5 * (at[best - 1] + at[best]))


def _running(plant: Plant, node: IntArray) -> BoolArray:
    running: BoolArray = plant.transitions.engine_mode[node] == COUPLED
    return running


def _electric(seen: Seen, plant: Plant) -> dict[str, float]:
    """Power limit, its rise towards rest, and the speed limit for what the power limit does not explain."""
    on = _running(plant, seen.node)
    values: dict[str, float] = {}
    found = _power_limit(seen, on)
    if found is not None:
        power, slow_kmh, slow_power = found
        values["electric.power_kW"] = max(power, 0.0)
        values["electric.power_per_charge_kW"] = per_charge_kW(power)
        values["electric.slow_kmh"], values["electric.slow_power_kW"] = slow_kmh, slow_power
        below = _beyond_rise(seen, slow_kmh, slow_power) < power
        speed = threshold(seen.speed_kmh[below], on[below])
        values["electric.speed_kmh"] = speed if speed is not None and speed > 20.0 else float(seen.speed_kmh.max())
    return values


def _power_limit(seen: Seen, on: BoolArray) -> tuple[float, float, float] | None:
    """(power [kW], speed [km/h] below which it rises towards rest, by how much [kW]) that tell apart most seconds; of equals the least."""
    best: tuple[int, float, float, float] | None = None
    for rise_kW in SLOW_RISES_KW:
        for slow_kmh in SLOW_KMH if rise_kW > 0.0 else (0.0,):
            beyond = _beyond_rise(seen, slow_kmh, rise_kW)
            power = threshold(beyond, on)
            if power is None:
                return None
            wrong = int(np.sum((beyond > power) != on))
            if best is None or wrong < best[0]:
                best = wrong, power, slow_kmh, rise_kW
    return best[1:] if best is not None else None


def _beyond_rise(seen: Seen, slow_kmh: float, rise_kW: float) -> Array:
    """(n,) power less the rise of its limit towards rest [kW]."""
    rise = rise_kW * np.maximum(1.0 - seen.speed_kmh / slow_kmh, 0.0) if slow_kmh > 0.0 else 0.0
    beyond: Array = seen.power_kW - rise
    return beyond


def _lines(seen: Seen, plant: Plant, calibration: Calibration) -> dict[str, float]:
    """Up and down lines of both ladders: nodes are told by the speed of their fastest source per wheel speed."""
    values: dict[str, float] = {}
    on = _running(plant, seen.node)
    fixed = np.array([bool(plant.configuration(n).ratio) for n in range(len(plant.nodes))])
    engine_ratio = np.abs(plant.arrays.source_wheel[:, 0])
    fastest = np.abs(plant.arrays.source_wheel[:, 1:]).max(axis=1, initial=0.0)
    groups: list[tuple[str, list[Rung], BoolArray, Array]] = [
        ("electric", calibration.gears.electric, ~on, fastest), ("engine", calibration.gears.engine, on & fixed[seen.node], engine_ratio)]
    nodes = {plant.configuration(n).id: n for n in range(len(plant.nodes))}
    for name, rungs, mine, ratio in groups:
        ratios = [ratio[nodes[r.configuration]] for r in rungs]
        last = 0.0
        for i in range(len(rungs) - 1):
            longer = ratio[seen.node[mine]] <= np.sqrt(ratios[i] * ratios[i + 1])
            line = threshold(seen.speed_kmh[mine], longer)
            if line is not None:
                line = max(line, last)
                values[f"gears.{name}.{i + 1}.up_kmh"] = line + HALF_HYSTERESIS_KMH
                values[f"gears.{name}.{i + 2}.down_kmh"] = max(line - HALF_HYSTERESIS_KMH, 0.0)
                last = line
    return values


def _series(seen: Seen, plant: Plant, calibration: Calibration) -> dict[str, float]:
    if not calibration.series.configuration or not calibration.gears.engine:
        return {}
    on = _running(plant, seen.node)
    fixed = np.array([bool(plant.configuration(n).ratio) for n in range(len(plant.nodes))])
    if not on.any():
        return {}
    line = threshold(seen.speed_kmh[on], fixed[seen.node[on]])
    return {} if line is None else {"series.below_kmh": line}


def _load(seen: Seen, plant: Plant) -> dict[str, float]:
    on = _running(plant, seen.node)
    if int(on.sum()) < FEWEST_S:
        return {}
    share = best_line_share(plant, seen.node[on], seen.speed_kmh[on] / 3.6, 1e3 * seen.power_kW[on], 1e3 * seen.engine_kW[on])
    return {"engine.best_line_share": share}
