"""What steps of one second hide: python benchmarks/time_step.py [--layout NAME ...] [--cycle NAME] [--seconds N] [--steps 1 0.5 0.1]

The same trip in steps of 1 s, 0.5 s and 0.1 s, four ways:

*lines*  the speed between samples a straight line, as everywhere in ems: the road load is taken at more places, decisions fall more often
*held*   the same, but a configuration lasts a second at least, as it does in steps of a second: the road load alone
*curve*  a smooth speed through the samples (monotone cubic, no overshoot): what a logger at 1 Hz cannot have seen
*curve, held*

Cycle energy, highest power and acceleration are of the vehicle at its wheels, by ``ems.trips.demand``. Distances differ by the shape of
the speed between samples, so figures are per distance. Waiting counts whole intervals as states: *held* below 0.5 s has so many that it
is left out unless asked for with ``--held-everywhere``. ``--lines FILE`` adds one JSON object a case.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from rows import tell
from scipy.interpolate import PchipInterpolator

import ems
from ems.plant.counters import NO_WAITS, Waits
from ems.trips.cycle import Cycle

HELD = Waits(dwell_s=1.0)       # of a configuration, so of the engine's state too
HEAD = (f"{'layout':14} {'speed':12} {'step s':>6} {'l/100 km':>9} {'from 1 s':>9} {'gap':>7} {'tables':>7} {'starts':>6} {'changes':>7} "
        f"{'cycle kWh':>9} {'peak kW':>8} {'m/s2':>6} {'residual':>9} {'s':>6}")


def piece_of(cycle: Cycle, seconds: int | None) -> Cycle:
    """The cycle to the first standstill at or after ``seconds``, or all of it."""
    still = np.flatnonzero((cycle.speed_m_s == 0.0) & (cycle.time_s >= (seconds or 0.0)))
    end = int(still[0]) if seconds is not None and still.size else cycle.time_s.size - 1
    return replace(cycle, time_s=cycle.time_s[:end + 1], speed_m_s=cycle.speed_m_s[:end + 1], grade=cycle.grade[:end + 1],
                   auxiliary_W=cycle.auxiliary_W[:end], phases=())


def stepped(cycle: Cycle, step_s: float, smooth: bool) -> Cycle:
    """The cycle in other steps, its samples kept: straight lines between them, or a monotone cubic."""
    count = round(1.0 / step_s)
    time_s = np.round(np.arange(count * (cycle.time_s.size - 1) + 1) / count, 9)
    between = PchipInterpolator(cycle.time_s, cycle.speed_m_s) if smooth else lambda t: np.interp(t, cycle.time_s, cycle.speed_m_s)
    speed = np.maximum(between(time_s), 0.0)
    speed[::count] = cycle.speed_m_s
    return replace(cycle, time_s=time_s, speed_m_s=speed, grade=np.interp(time_s, cycle.time_s, cycle.grade),
                   auxiliary_W=np.repeat(cycle.auxiliary_W, count), phases=())


def measured(layout: str, cycle: Cycle, step_s: float, smooth: bool, held: bool) -> dict[str, Any]:
    """One optimum."""
    begun = time.perf_counter()
    found = ems.optimum(ems.load_layout(layout), stepped(cycle, step_s, smooth), waits=HELD if held else NO_WAITS)
    asked = found.trace.demand
    return {"layout": layout, "cycle": cycle.name, "speed": ("curve" if smooth else "lines") + (", held" if held else ""), "step_s": step_s,
            "distance_km": found.distance_km, "fuel_l_per_100km": found.fuel_l_per_100km, "gap_percent": found.gap_percent,
            "table_error_percent": found.table_error_percent, "engine_starts": found.engine_starts,
            "configuration_changes": found.configuration_changes, "cycle_energy_kWh": asked.cycle_energy_J / 3.6e6,
            "highest_power_kW": float(asked.power_W.max()) / 1e3, "highest_acceleration_m_s2": float(np.abs(asked.acceleration_m_s2).max()),
            "energy_residual_percent": found.energy_residual_percent, "seconds": time.perf_counter() - begun}


def told(row: dict[str, Any], reference: float) -> str:
    """A row of the printed table."""
    return (f"{row['layout']:14} {row['speed']:12} {row['step_s']:6g} {row['fuel_l_per_100km']:9.4f} "
            f"{100.0 * (row['fuel_l_per_100km'] / reference - 1.0):8.3f}% {row['gap_percent']:7.4f} {row['table_error_percent']:7.4f} "
            f"{row['engine_starts']:6d} {row['configuration_changes']:7d} {row['cycle_energy_kWh']:9.4f} {row['highest_power_kW']:8.2f} "
            f"{row['highest_acceleration_m_s2']:6.2f} {row['energy_residual_percent']:9.1e} {row['seconds']:6.1f}")


def main() -> None:
    """Reads the options and measures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--layout", action="append")
    parser.add_argument("--cycle", default="wltc-3b")
    parser.add_argument("--seconds", type=int, help="the cycle up to the first standstill after so many seconds")
    parser.add_argument("--steps", type=float, nargs="+", default=[1.0, 0.5, 0.1])
    parser.add_argument("--held-everywhere", action="store_true")
    parser.add_argument("--lines", type=Path, help="file for one JSON object a case")
    asked = parser.parse_args()
    cycle = piece_of(ems.load_cycle(asked.cycle), asked.seconds)
    print(f"{cycle.name}, {cycle.duration_s:g} s\n{HEAD}", flush=True)
    for layout in asked.layout or ["three-clutch", "input-split", "series"]:
        reference = None
        for smooth, held in ((False, False), (False, True), (True, False), (True, True)):
            for step in asked.steps:
                if (held and step < 0.5 and not asked.held_everywhere) or (step == 1.0 and (held or smooth)):
                    continue            # in steps of a second, lines, curves and what is held are the same
                row = measured(layout, cycle, step, smooth, held)
                reference = reference or row["fuel_l_per_100km"]
                tell(told(row, reference), row, asked.lines)


if __name__ == "__main__":
    main()
