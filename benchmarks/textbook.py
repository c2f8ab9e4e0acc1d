"""Ours beside dynamic programming as lecture notes teach it, in one run: python benchmarks/textbook.py

    python benchmarks/textbook.py                       a cut of the cycle, everything run to the end; about ten minutes
    python benchmarks/textbook.py --whole               the whole cycle: coarse grids run, fine grids timed on a sample of its seconds
    python benchmarks/textbook.py --from 100 --to 130 --ladder 2 --json

Compared: *textbook* (all control combinations at every battery node, every second; NumPy), *reduced NumPy* (our frontier tables, the
same NumPy sweep), and *ours* (``ems.optimum``: tables, costate, dynamic programming, certificate). All drive their policy through the
same plant, without lanes of a free engine speed, with the same transition costs; errors are against one lower bound, proven by the
finest run of ours with its table error taken off. Charge above or below the target at the end is priced with the costate. Compare
within one run: other load slows everything.
"""

from __future__ import annotations

import argparse
import itertools
import json
import platform
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from vectorised import AllCombinations, FrontierPoints, Remembered, Steps, Supply, Sweep, Trip, every_change

import ems
from ems.kernels.frontier import Grid
from ems.plant.plant import Plant
from ems.solve.optimum import Optimum
from ems.solve.warm_up import warm_up
from ems.tables.build import DEFAULT_GRID, build_tables, refined
from ems.trips.cycle import Cycle
from ems.trips.demand import Demand
from ems.trips.demand import demand as demand_of_cycle

# (free speeds, engine torques, machine torques, brake shares), battery nodes: from usual to fine
LADDER = (
    (Steps(11, 11, 11, 3), 51), (Steps(21, 21, 21, 5), 101), (Steps(21, 41, 41, 6), 201), (Steps(25, 61, 61, 9), 401),
    (Steps(31, 81, 81, 11), 801),
)
REDUCED = (101, 401)                            # battery nodes of the sweep over frontier points
NEARER_PERCENT = 0.005                          # the gap that ours is also asked for
OURS = (("default", DEFAULT_GRID, None), (f"gap of {NEARER_PERCENT} % asked", DEFAULT_GRID, NEARER_PERCENT),
        ("that, double tables", refined(DEFAULT_GRID, 2), NEARER_PERCENT))
SAMPLE = 40                                     # intervals of the whole cycle on which a grid too fine to run is timed


@dataclass(frozen=True)
class Row:
    """One solve. error_percent: fuel above the proven bound; ``run`` says how the seconds were had."""

    method: str
    grid: str
    battery_nodes: int
    wall_s: float
    cpu_s: float
    fuel_g: float | None
    error_percent: float | None
    transitions: float | None
    run: str


@dataclass(frozen=True)
class Trial:
    """A trip that every method solves: ours solved in each way, and what all share."""

    plant: Plant
    cycle: Cycle
    demand: Demand
    ours: tuple[tuple[str, Optimum, float, float], ...]

    @property
    def bound_g(self) -> float:
        """No control needs less [g]: the best lower bound, less what finer tables would still take off."""
        return max(o.lower_bound_g - o.table_error_percent / 100.0 * o.objective_g for _, o, _, _ in self.ours)

    @property
    def costate_g_J(self) -> float:
        """Price of stored energy at the end of the trip [g/J]."""
        return float(self.ours[-1][1].bound.costate_g_J[-1])

    @property
    def target_J(self) -> float:
        """Stored energy at the start, and to be had at the end [J]."""
        battery = self.plant.layout.battery
        return float(battery.energy_J(battery.soc_target))

    def error_percent(self, objective_g: float, end_J: float) -> tuple[float, float]:
        """(fuel with the charge at the end made good [g], how far above the bound [%])."""
        fuel = objective_g - self.costate_g_J * (end_J - self.target_J)
        return fuel, 100.0 * (fuel - self.bound_g) / self.bound_g


def seconds(work: Callable[[], Any]) -> tuple[Any, float, float]:
    """(result, wall seconds, processor seconds of all threads)."""
    wall, cpu = time.perf_counter(), time.process_time()
    result = work()
    return result, time.perf_counter() - wall, time.process_time() - cpu


def cut(cycle: Cycle, start_s: int, end_s: int) -> Cycle:
    """Seconds ``start_s`` to ``end_s`` of a cycle of one-second intervals."""
    return replace(cycle, name=f"{cycle.name}, {start_s} to {end_s} s", time_s=cycle.time_s[start_s:end_s + 1] - cycle.time_s[start_s],
                   speed_m_s=cycle.speed_m_s[start_s:end_s + 1], grade=cycle.grade[start_s:end_s + 1],
                   auxiliary_W=cycle.auxiliary_W[start_s:end_s], phases=())


def solve_ours(layout: ems.Layout, cycle: Cycle, times: int, say: Callable[[str], None]) -> Trial:
    """Ours as it is and asked for more, the best of several runs each, kernels loaded before any clock starts."""
    warm_up()
    if times > 1:
        ems.optimum(layout, cycle, lanes=1)     # the first run in a process also pays for memory that later runs find ready
    found = []
    for word, grid, gap in OURS:
        say(f"ours, {word}")

        def once(grid: Grid = grid, gap: float | None = gap) -> Optimum:
            return ems.optimum(layout, cycle, grid=grid, lanes=1, gap_percent=gap)

        best = min((seconds(once) for _ in range(times)), key=lambda run: run[2])
        found.append((word, *best))
    first = found[0][1]
    return Trial(first.problem.plant, cycle, demand_of_cycle(cycle, layout.vehicle), tuple(found))


def our_rows(trial: Trial) -> list[Row]:
    """Ours as rows."""
    rows = []
    for word, o, wall, cpu in trial.ours:
        end_J = float(trial.plant.layout.battery.energy_J(o.soc_end))
        fuel, error = trial.error_percent(o.objective_g, end_J)
        rows.append(Row("ours", word, o.grid["battery_nodes"], wall, cpu, fuel, error, None, "run"))
    return rows


def sweep(trial: Trial, nodes: int) -> Sweep:
    """A NumPy sweep on the trial's transition costs."""
    changes = every_change(trial.plant, trial.demand)
    return Sweep(trial.plant, trial.demand.dt_s, changes, (trial.target_J, trial.target_J), nodes, trial.costate_g_J)


def solved(trial: Trial, method: str, grid: str, nodes: int, make: Callable[[], Supply]) -> Row:
    """One NumPy solve, its controls included in the seconds."""
    def work() -> Trip:
        run, supply = sweep(trial, nodes), Remembered(make())
        return run.forward(supply, run.backward(supply))

    trip, wall, cpu = seconds(work)
    fuel, error = trial.error_percent(trip.objective_g, float(trip.energy_J[-1]))
    return Row(method, grid, nodes, wall, cpu, fuel, error, float(trip.transitions), "run")


def sampled(trial: Trial, steps: Steps, nodes: int) -> Row:
    """Seconds of a whole backward pass from a sample of its intervals, spread evenly over the trip."""
    K = trial.demand.dt_s.size
    run, supply = sweep(trial, nodes), AllCombinations(trial.plant, trial.demand, steps)
    chosen = np.unique(np.linspace(0, K - 1, SAMPLE).round().astype(int))
    after = np.repeat(trial.costate_g_J * (run.energy_J[-1] - run.energy_J)[None, :], len(trial.plant.nodes) + 1, axis=0)
    _, wall, cpu = seconds(lambda: [run.step(int(k), supply(int(k)), after, np.full_like(after, np.inf)) for k in chosen])
    share = K / chosen.size
    return Row("textbook", words(steps), nodes, wall * share, cpu * share, None, None, run.transitions * share,
               f"timed on {chosen.size} of {K} s")


def words(steps: Steps) -> str:
    """Grid in words: speeds x engine torques x machine torques x brake shares."""
    return f"{steps.free_points} x {steps.torque_points} x {steps.inner_points} x {steps.brake_points}"


def compare(trial: Trial, ladder: int, longest: int, say: Callable[[str], None]) -> list[Row]:
    """All rows; of the ladder's first ``ladder`` rungs those up to ``longest`` are run, the others timed on a sample."""
    rows = our_rows(trial)

    def add(row: Row) -> None:
        rows.append(row)
        say(line(row, rows[1]))

    for nodes in REDUCED[:max(1, ladder - 1)]:
        add(solved(trial, "reduced NumPy", "frontier points", nodes, lambda: FrontierPoints(build_tables(trial.plant, trial.demand))))
    for rung, (steps, nodes) in enumerate(LADDER[:ladder]):
        def make(steps: Steps = steps) -> Supply:
            return AllCombinations(trial.plant, trial.demand, steps)

        add(solved(trial, "textbook", words(steps), nodes, make) if rung < longest else sampled(trial, steps, nodes))
    return rows


# -- what is told ------------------------------------------------------------------------------------------------------


HEAD = f"{'method':14} {'grid':26} {'nodes':>6} {'wall s':>9} {'cpu s':>9} {'x wall':>8} {'x cpu':>8} {'above bound':>12}  how"


def line(row: Row, ours: Row) -> str:
    """One row as text, ratios to ours as it is."""
    error = "" if row.error_percent is None else f"{row.error_percent:.4f} %"
    return (f"{row.method:14} {row.grid:26} {row.battery_nodes:6d} {row.wall_s:9.2f} {row.cpu_s:9.2f} {row.wall_s / ours.wall_s:8.1f} "
            f"{row.cpu_s / ours.cpu_s:8.1f} {error:>12}  {row.run}")


def table(rows: list[Row]) -> str:
    """Rows as text."""
    ours = next(r for r in rows if r.grid == "default")
    return "\n".join([HEAD, *(line(r, ours) for r in rows)])


def figure(rows: list[Row], title: str, path: Path) -> None:
    """Accuracy over time: percent above the proven bound over processor seconds, one line a method."""
    import matplotlib
    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    fig, ax = plt.subplots(figsize=(7.2, 4.4), layout="constrained")
    for method, colour, marker in (("textbook", "#b0413e", "s"), ("reduced NumPy", "#c58b2a", "^"), ("ours", "#1f5f8b", "o")):
        own = sorted((r for r in rows if r.method == method and r.error_percent is not None), key=lambda r: r.cpu_s)
        if not own:
            continue
        ax.plot([r.cpu_s for r in own], [max(r.error_percent or 0.0, 1e-4) for r in own], marker=marker, color=colour, lw=1.4, label=method)
        for r, after in itertools.zip_longest(own, own[1:]):
            said = r.grid + (f", {r.battery_nodes}" if method != "ours" else "")
            level = after is not None and (after.error_percent or 0.0) >= 0.9 * (r.error_percent or 0.0)
            place, side = ((-6, -12), "right") if level else ((8, 4), "left")                   # the label keeps clear of the line
            ax.annotate(said, (r.cpu_s, max(r.error_percent or 0.0, 1e-4)), textcoords="offset points", xytext=place, ha=side, fontsize=7,
                        color=colour)
    ax.set(xscale="log", yscale="log", xlabel="processor time [s]", ylabel="fuel above the proven bound [%]", title=title)
    ax.grid(True, which="major", lw=0.4, alpha=0.5)
    ax.margins(x=0.36, y=0.14)
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(lambda value, _: f"{value:g}")
        axis.set_minor_formatter(lambda value, _: f"{value:g}" if f"{value:e}"[0] in "25" else "")
    ax.legend(frameon=False, loc="lower right")
    fig.savefig(path, dpi=150)
    plt.close(fig)


def main(arguments: list[str] | None = None) -> list[Row]:
    """Reads the options, compares, tells."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--layout", default="three-clutch")
    parser.add_argument("--cycle", default="wltc-3b")
    parser.add_argument("--from", type=int, default=0, dest="start", metavar="S", help="first second of the cut")
    parser.add_argument("--to", type=int, default=150, dest="end", metavar="S", help="last second of the cut")
    parser.add_argument("--whole", action="store_true", help="the whole cycle")
    parser.add_argument("--ladder", type=int, default=len(LADDER) - 1, help="how many of the textbook's grids")
    parser.add_argument("--run", type=int, metavar="N", help="of those, how many are run rather than timed on a sample")
    parser.add_argument("--times", type=int, default=2, help="runs of ours, of which the best counts")
    parser.add_argument("--json", action="store_true", help="one JSON object instead of the table")
    parser.add_argument("--figure", type=Path, metavar="PNG", help="accuracy over time, as a picture")
    options = parser.parse_args(arguments)
    layout, cycle = ems.load_layout(options.layout), ems.load_cycle(options.cycle)
    cycle = cycle if options.whole else cut(cycle, options.start, options.end)
    longest = options.run if options.run is not None else 1 if options.whole else options.ladder
    say = lambda word: print(f"  {word}", file=sys.stderr, flush=True)  # noqa: E731
    trial = solve_ours(layout, cycle, options.times, say)
    if trial.bound_g <= 0.0:
        parser.error(f"nothing to compare: no fuel is needed on {cycle.name}; choose a longer cut")
    rows = compare(trial, options.ladder, longest, say)
    title = f"{layout.name.lower()}, {cycle.name}"
    if options.figure:
        figure(rows, title, options.figure)
    if options.json:
        print(json.dumps({"layout": layout.name, "cycle": cycle.name, "bound_g": trial.bound_g, "machine": machine(),
                          "rows": [asdict(r) for r in rows]}, allow_nan=False))
    else:
        print(f"{title}: {trial.bound_g:.4f} g proven; {machine()}\n{table(rows)}")
    return rows


def machine() -> str:
    """What ran this."""
    import os

    import numba

    return (f"{platform.machine()}, {os.cpu_count()} cores; Python {platform.python_version()}, NumPy {np.__version__}, "
            f"numba {numba.__version__}")


if __name__ == "__main__":
    main()
