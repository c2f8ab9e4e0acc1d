"""Rules and ECMS on the shipped layouts: python benchmarks/strategies.py [--layout NAME ...] [--cycle NAME ...] [--drive] [--lines FILE]

One process, default calibrations. Prints for each layout and cycle the certified optimum at the target charge, and for each strategy how
far it is above the certified least fuel with the charge it ended with [%], with that charge and the requests that were corrected.
ECMS: the constant that sustains the charge is sought anew on every cycle, which no controller can do. An end within 0.1 % of a charge
that was solved is not solved again: the difference is valued at the costate of that optimum's end.

``--drive``: only drives the rules, on every shipped layout and cycle unless some are named, and prints corrections and the range of
charge. ``--lines`` also writes one JSON object a trip.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rows import tell

import ems
from ems import library
from ems.errors import CycleNotFollowed, RunError
from ems.judge.gap import References, judged
from ems.strategies.course import Course, course_of
from ems.strategies.load import load_strategy
from ems.strategies.simulate import Driven, drive

CYCLES = ("wltc-3b", "nedc", "udds", "hwfet", "us06", "hill-town")
STRATEGIES = ("rules", "ecms", "ecms-adaptive")
NEAR = 0.001                # of capacity, the residual charge that ECMS may leave


def driven_by(word: str, course: Course) -> Driven:
    """A strategy's trip from the target charge."""
    layout = course.plant.layout
    strategy: Any = load_strategy(word, layout, plant=course.undivided)
    target_J = course.energy_J(layout.battery.soc_target)
    if hasattr(strategy, "prepare"):
        strategy = strategy.prepare(course, target_J, target_J)
    return drive(course, strategy, target_J)


def told(driven: Driven, course: Course) -> dict[str, Any]:
    """What is said of any trip."""
    soc = [course.soc(float(e)) for e in (driven.energy_J.min(), driven.energy_J.max(), driven.energy_J[-1])]
    battery = course.plant.layout.battery
    inside = battery.soc_low - 1e-9 <= soc[0] and soc[1] <= battery.soc_high + 1e-9
    return {"soc_least": soc[0], "soc_most": soc[1], "soc_end": soc[2], "inside": inside, "corrections": driven.corrections,
            "intervals": int(driven.node.size)}


def trips(layout: str, cycle: str, strategies: tuple[str, ...], only_drive: bool) -> Iterator[dict[str, Any]]:
    """One row a strategy; first, unless only driven, a row of the optimum."""
    loaded, trip = ems.load_layout(layout), ems.load_cycle(cycle)
    case: dict[str, Any] = {"layout": layout, "cycle": cycle}
    try:
        course = course_of(loaded, trip)
        references = References(loaded, course, NEAR)
        if not only_drive:
            _, best = references.to(loaded.battery.soc_target)
            yield case | {"strategy": "optimum", "l_per_100km": best.fuel_l_per_100km, "certified_percent": best.gap_percent}
    except CycleNotFollowed as error:
        yield case | {"strategy": "-", "message": f"not followed: {error}"}
        return
    for word in strategies:
        begun = time.perf_counter()
        try:
            driven = driven_by(word, course)
            row = case | {"strategy": word, **told(driven, course)}
            if not only_drive:
                row |= asdict(judged(references, driven, cycle))
        except RunError as error:
            row = case | {"strategy": word, "message": str(error)}
        yield row | {"seconds": round(time.perf_counter() - begun, 1)}


def line(row: dict[str, Any]) -> str:
    """A row of the printed table."""
    head = f"{row['layout']:28} {row['cycle']:16} {row['strategy']:14}"
    if "message" in row:
        return f"{head} {row['message']}"
    if row["strategy"] == "optimum":
        return f"{head} {row['l_per_100km']:7.3f} l/100 km, certified within {row['certified_percent']:.3f} %"
    corrected = ", ".join(f"{name} {n}" for name, n in row["corrections"].items()) or "-"
    gap = f"{row['gap_percent']:7.2f} %" if "gap_percent" in row else f"{row['intervals']:7d} s"
    out = "" if row["inside"] else "  OUTSIDE THE WINDOW"
    return f"{head} {gap}  {row['soc_least']:.3f} {row['soc_most']:.3f} {row['soc_end']:.3f}  {corrected}{out}"


def main() -> None:
    """Reads the options and prints the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--layout", action="append", help="instead of all shipped ones; repeatable")
    parser.add_argument("--cycle", action="append", help=f"instead of {', '.join(CYCLES)}; repeatable")
    parser.add_argument("--strategy", action="append", help=f"instead of {', '.join(STRATEGIES)}; repeatable")
    parser.add_argument("--drive", action="store_true", help="only drive the rules, everywhere")
    parser.add_argument("--lines", type=Path, help="file for one JSON object a trip")
    options = parser.parse_args()
    layouts = options.layout or library.names("layout")
    cycles = options.cycle or (library.names("cycle") if options.drive else CYCLES)
    strategies = tuple(options.strategy or (("rules",) if options.drive else STRATEGIES))
    print(f"{'layout':28} {'cycle':16} {'strategy':14} {'seconds' if options.drive else 'above':>9}  charge: least, most, end; corrected",
          flush=True)
    for cycle in cycles:
        for layout in layouts:
            for row in trips(layout, cycle, strategies, options.drive):
                tell(line(row), row, options.lines)


if __name__ == "__main__":
    main()
