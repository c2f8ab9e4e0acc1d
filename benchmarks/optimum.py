"""Seconds and shares of the main job: python benchmarks/optimum.py [--layout three-clutch] [--cycle wltc-3b] [--times 3] [--first]

Runs the optimum several times in one process, kernels compiled, and prints the least of each share; ``--first`` also measures a
process with an empty kernel cache, compilation included. Absolute times depend on the machine and its load: compare within one run.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time

import ems

SHARES = ("tables_s", "solve_s", "certificate_s")


def warm(layout_name: str, cycle_name: str, times: int) -> None:
    """Least seconds of each share over several runs in this process."""
    layout, cycle = ems.load_layout(layout_name), ems.load_cycle(cycle_name)
    begun = time.perf_counter()
    ems.optimum(layout, cycle)
    print(f"{layout_name} on {cycle_name}: first run in this process {time.perf_counter() - begun:.2f} s (cache loaded or compiled)")
    runs, totals = [], []
    for _ in range(times):
        begun = time.perf_counter()
        runs.append(ems.optimum(layout, cycle))
        totals.append(time.perf_counter() - begun)
    best = {share: min(getattr(run, share) for run in runs) for share in SHARES}
    print(f"  warm total {min(totals):.2f} s: " + ", ".join(f"{name[:-2]} {seconds:.2f} s" for name, seconds in best.items()))
    last = runs[-1]
    print(f"  {last.fuel_l_per_100km:.4f} l/100 km, gap {last.gap_percent:.4f} %, tables {last.table_error_percent:.4f} %, "
          f"{last.grid['points']} points, {last.grid['nodes']} nodes")


def first(layout_name: str, cycle_name: str) -> None:
    """Whole command with an empty cache, then again with the cache filled."""
    with tempfile.TemporaryDirectory() as folder:
        for word in ("first ever, compiling", "kernels cached"):
            begun = time.perf_counter()
            subprocess.run([sys.executable, "-m", "ems", "optimum", layout_name, "--cycle", cycle_name, "--json", "--quiet"],
                           check=True, stdout=subprocess.DEVNULL, env={**os.environ, "EMS_CACHE_DIR": folder})
            print(f"  whole command, {word}: {time.perf_counter() - begun:.1f} s")


def help_seconds() -> float:
    """Least seconds of a whole ``ems --help`` over five runs."""
    runs = []
    for _ in range(5):
        begun = time.perf_counter()
        subprocess.run([sys.executable, "-m", "ems", "--help"], check=True, stdout=subprocess.DEVNULL)
        runs.append(time.perf_counter() - begun)
    return min(runs)


def main() -> None:
    """Reads the options and measures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--layout", default="three-clutch")
    parser.add_argument("--cycle", default="wltc-3b")
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--first", action="store_true")
    options = parser.parse_args()
    warm(options.layout, options.cycle, options.times)
    if options.first:
        first(options.layout, options.cycle)
        print(f"  ems --help: {help_seconds():.2f} s")


if __name__ == "__main__":
    main()
