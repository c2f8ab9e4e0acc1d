"""Every shipped layout on the main cycles: python benchmarks/matrix.py [--layout NAME ...] [--cycle NAME ...] [--lines FILE]

Default options, one process. Prints fuel, gap, table error, share of braking recovered, nodes, seconds, and misses of the targets: a
gap of at most 0.02 % where the window does not bind and 0.05 % where it does, a table error of at most 0.02 %. ``--lines`` also writes
one JSON object a run. Seconds depend on the machine and its load: compare within one run.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import Any

from rows import tell

import ems
from ems import library
from ems.errors import CycleNotFollowed
from ems.layout.model import Layout
from ems.trips.cycle import Cycle

CYCLES = ("wltc-3b", "nedc", "udds", "hwfet", "us06", "hill-town")
GAP_PERCENT, BINDING_GAP_PERCENT, TABLES_PERCENT = 0.02, 0.05, 0.02
TOUCHES = 1e-3      # charge this near an end of the window: the window binds


def run(layout: Layout, cycle: Cycle) -> dict[str, Any]:
    """One case as a row."""
    begun = time.perf_counter()
    row: dict[str, Any] = {"layout": layout.name, "cycle": cycle.name}
    try:
        best = ems.optimum(layout, cycle)
    except CycleNotFollowed as error:
        return row | {"follows": False, "message": str(error)}
    told = best.to_dict()
    soc = best.to_frame()[["soc_start", "soc_end"]].to_numpy()
    binds = bool(soc.min() < layout.battery.soc_low + TOUCHES or soc.max() > layout.battery.soc_high - TOUCHES)
    keys = ("fuel_l_per_100km", "gap_percent", "table_error_percent", "recovered_percent", "engine_starts", "floor_l_per_100km")
    return row | {"follows": True, "binds": binds, "segments": len(told["costate_segments"]), **{k: told[k] for k in keys},
                  "nodes": told["grid"]["nodes"], "points": told["grid"]["points"], "seconds": round(time.perf_counter() - begun, 2)}


def misses(row: dict[str, Any]) -> str:
    """The targets that a run misses, in words."""
    most = BINDING_GAP_PERCENT if row["binds"] else GAP_PERCENT
    words = ["gap"] * (row["gap_percent"] > most) + ["tables"] * (row["table_error_percent"] > TABLES_PERCENT)
    return " and ".join(words)


def line(row: dict[str, Any]) -> str:
    """A row of the printed table."""
    if not row["follows"]:
        return f"{row['layout']:28} {row['cycle']:10} {row['message']}"
    figures = (f"{row['fuel_l_per_100km']:7.3f} {row['gap_percent']:7.3f} {row['table_error_percent']:7.4f} "
               f"{row['recovered_percent']:6.1f} {row['nodes']:4d} {row['seconds']:7.1f}")
    return f"{row['layout']:28} {row['cycle']:10} {figures}  {'binds' if row['binds'] else '     '} {misses(row)}"


def main() -> None:
    """Reads the options and runs the matrix."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--layout", action="append", help="instead of all shipped ones; repeatable")
    parser.add_argument("--cycle", action="append", help=f"instead of {', '.join(CYCLES)}; repeatable")
    parser.add_argument("--lines", type=Path, help="file for one JSON object a run")
    options = parser.parse_args()
    cycles = [ems.load_cycle(word) for word in options.cycle or CYCLES]
    layouts = [ems.load_layout(word) for word in options.layout or library.names("layout")]
    print(f"{'layout':28} {'cycle':10} l/100km   gap %  tables %  rec % nodes seconds", flush=True)
    for layout in layouts:
        for cycle in cycles:
            row = run(layout, cycle)
            tell(line(row), row, options.lines)


if __name__ == "__main__":
    main()
