"""The polish on every layout and main cycle: python benchmarks/polish.py [--layout NAME ...] [--cycle NAME ...] [--lines FILE]

For each the optimum of default grids, then the smooth program over its schedule (``ems optimum --polish``). *Net* is the difference in
fuel less what the smoothing of the maps changes by itself on the optimum's own trip; it is held against 0.2 %. *Replayed* is the polished
choice in the true plant against the optimum, *certif.* how far the optimum may lie above the true one at most (gap and table error).
*Costate* and *slope*: by how much the multiplier of the battery's equation is above the certificate's costate, and above the slope of the
dynamic programming's values.
"""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from rows import tell

import ems
from ems.library import names
from ems.solve.polish import polish

CYCLES = ("wltc-3b", "udds", "hwfet", "us06", "nedc", "hill-town")
HEAD = (f"{'layout':28} {'cycle':10} {'fuel g':>9} {'differs':>8} {'smooth':>8} {'net':>8} {'replayed':>8} {'certif.':>8} {'costate':>8} "
        f"{'slope':>8} {'s':>6}")


def measured(layout: str, cycle: str) -> dict[str, object]:
    """One case: what was found, or the error's words."""
    begun = time.perf_counter()
    try:
        found = ems.optimum(ems.load_layout(layout), ems.load_cycle(cycle))
        polished = polish(found)
    except ems.EmsError as error:
        return {"layout": layout, "cycle": cycle, "error": str(error).splitlines()[0]}
    return {"layout": layout, "cycle": cycle, "fuel_g": found.objective_g, "lower_bound_g": found.lower_bound_g,
            "gap_percent": found.gap_percent, "table_error_percent": found.table_error_percent, **polished.to_dict(),
            "residual_percent": polished.trace.energy_residual_percent,
            "net_percent": polished.difference_percent - polished.smoothing_percent, "all_seconds": time.perf_counter() - begun}


def _percent(value: object) -> str:
    return f"{value:8.3f}" if isinstance(value, float) else f"{'none':>8}"


def told(row: dict[str, object]) -> str:
    """A row of the printed table."""
    if "error" in row:
        return f"{row['layout']:28} {row['cycle']:10} {row['error']}"
    certified = row["gap_percent"] + row["table_error_percent"]  # type: ignore[operator]
    line = (f"{row['layout']:28} {row['cycle']:10} {row['fuel_g']:9.2f} {row['difference_percent']:8.4f} {row['smoothing_percent']:8.4f} "
            f"{row['net_percent']:8.4f} {row['replayed_percent']:8.4f} {certified:8.4f} {_percent(row['costate_difference_percent'])} "
            f"{_percent(row['slope_difference_percent'])} {row['seconds']:6.1f}")
    ended = "" if row["solved"] else f"  {row['status']}"
    return line + ended + (f"  {row['broken_limits']} limits broken" if row["broken_limits"] else "")


def main() -> None:
    """Reads the options and measures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--layout", action="append")
    parser.add_argument("--cycle", action="append")
    parser.add_argument("--lines", type=Path, help="file for one JSON object a case")
    asked = parser.parse_args()
    print(HEAD, flush=True)
    rows = []
    for layout in asked.layout or names("layout"):
        for cycle in asked.cycle or CYCLES:
            rows.append(measured(layout, cycle))
            tell(told(rows[-1]), rows[-1], asked.lines)
    net = [abs(row["net_percent"]) for row in rows if row.get("solved")]  # type: ignore[arg-type]
    print(f"{sum(n < 0.2 for n in net)} of {len(net)} solved within 0.2 %, {len(rows) - len(net)} not solved; "
          f"largest {max(net, default=0.0):.3f} %")


if __name__ == "__main__":
    main()
