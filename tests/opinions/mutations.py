"""Plants faults in a copy of the sources, one at a time, and runs the test that must catch each: python tests/opinions/mutations.py

Every fault is one a careful author could make. The kernels run uncompiled (NUMBA_DISABLE_JIT), so that each takes seconds; compiled
where the test solves whole trips. A fault that its test does not see is a hole in the tests; one whose place is no longer in the sources
is told as such.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

CHECKOUT = Path(__file__).resolve().parent.parent.parent
HAND, TORQUES, DEMAND = "tests/plant/test_hand_calculation.py", "tests/plant/test_torques.py", "tests/trips/test_demand.py"
ELEMENTS = "tests/plant/test_hand_elements.py"
CLOSED = "tests/solve/test_closed_forms.py"
BATTERY, TWIN = "tests/kernels/test_battery.py", "tests/opinions/test_textbook.py"
SEARCH = "tests/solve/test_bound_against_search.py::test_no_trip_lies_below_the_bound"
CELLS_ALONE = "tests/solve/test_bound_against_search.py::test_raised_bound_is_what_so_many_cells_prove"
AFFINE_ALONE = "tests/solve/test_bound_against_search.py::test_affine_bound_is_what_its_slopes_prove"
ROOM = "tests/solve/test_room.py"
TUNE = "tests/strategies/test_tune.py"
PLANES, RAISED = "tests/solve/test_planes.py", "tests/solve/test_raised_bound.py"


@dataclass(frozen=True)
class Fault:
    """In ``file`` (or, when it has moved, another of its folder) the text ``right`` becomes ``wrong``; ``test`` must then fail.

    Blanks and line ends do not matter; the text must stand there exactly once. compiled : whether the kernels are
    """

    name: str
    file: str
    right: str
    wrong: str
    test: str
    compiled: bool = False

    @property
    def function(self) -> str:
        """Name of the test function."""
        return self.test.partition("::")[2].partition("[")[0]


FAULTS = (
    Fault("sign of the carrier in a planetary row", "configurations/kinematics.py", "(p.carrier, -1 - p.ratio)", "(p.carrier, 1 + p.ratio)",
          f"{TORQUES}::test_willis_ring_held"),
    Fault("sign of a gear pair", "configurations/kinematics.py", "(g.to_shaft, -g.ratio)", "(g.to_shaft, g.ratio)",
          "tests/configurations/test_derivation_rules.py::test_reverse_idler_has_a_negative_ratio"),
    Fault("mesh loss forgotten one way round", "plant/torque_maps.py", "(first, second * efficiency) if forward",
          "(first, second) if forward", f"{TORQUES}::test_mesh_losses_by_hand"),
    Fault("mesh loss at the driving member", "plant/torque_maps.py", "if forward else (first", "if not forward else (first",
          f"{TORQUES}::test_mesh_losses_by_hand"),
    Fault("no reaction at the carrier", "plant/torque_maps.py", "(c, -(first + second))", "(c, -first)",
          f"{TORQUES}::test_planetary_set_loses_on_rolling_power"),
    Fault("interpolation weight turned round", "kernels/lookup.py", "values[i] + weight * (values[i + 1] - values[i])",
          "values[i + 1] + weight * (values[i] - values[i + 1])", f"{HAND}::test_parallel_charging_in_third"),
    Fault("row between two speeds not interpolated", "kernels/lookup.py", "table[i, q] + weight * (table[i + 1, q] - table[i, q])",
          "table[i, q]", f"{HAND}::test_series"),
    Fault("speed at the start of the interval", "trips/demand.py", "speed = 0.5 * (start + end)", "speed = start",
          f"{DEMAND}::test_inertia_is_exactly_the_change_of_kinetic_energy"),
    Fault("acceleration one interval late", "trips/demand.py", "acceleration = (end - start) / dt",
          "acceleration = np.roll((end - start) / dt, 1)", f"{DEMAND}::test_inertia_is_exactly_the_change_of_kinetic_energy"),
    Fault("slope as rise over run taken for its sine", "trips/demand.py", "GRAVITY_M_S2 * grade * cosine", "GRAVITY_M_S2 * grade",
          f"{DEMAND}::test_climb_by_hand"),
    Fault("climbing while at rest", "trips/demand.py", "climb_N=moving * vehicle", "climb_N=vehicle",
          f"{DEMAND}::test_at_rest_on_a_slope_the_brakes_hold"),
    Fault("factor in the battery's root", "kernels/battery.py", "root = 1.0 - 4.0 * P * x", "root = 1.0 - 2.0 * P * x",
          f"{BATTERY}::test_constant_voltage_battery"),
    Fault("voltage held over an interval of charge", "kernels/battery.py", "v0 * v0 + 2.0 * slope * charge", "v0 * v0",
          f"{HAND}::test_battery_step_at_half_charge"),
    Fault("discharge resistance while charging", "kernels/battery.py",
          "rc = b.charge_ohm[i] + share * (b.charge_ohm[i + 1] - b.charge_ohm[i])", "rc = rd", f"{HAND}::test_battery_step_at_half_charge"),
    Fault("cranking friction forgotten", "kernels/transitions.py", "n.crank_torque * 0.5 * wb * n.crank_time", "0.0",
          f"{HAND}::test_engine_start_in_third"),
    Fault("transition paid at its terminals, not from the store", "kernels/transitions.py",
          "stored = electric * (n.pulse_out if electric > 0.0 else n.pulse_in)", "stored = electric",
          f"{HAND}::test_engine_start_in_third"),
    Fault("efficiency of synchronising the wrong way", "kernels/transitions.py", "work / n.efficiency if work > 0.0 else work * n.recovery",
          "work * n.efficiency if work > 0.0 else work / n.recovery", f"{HAND}::test_engine_start_in_third"),
    Fault("auxiliaries forgotten", "kernels/plant.py", "auxiliary_W + plant.hold_W[t]", "plant.hold_W[t]",
          f"{HAND}::test_regeneration_in_third"),
    Fault("machine map not mirrored at negative speed", "kernels/plant.py",
          "T = torque if cut.speed[m + 1] >= 0.0 else -torque", "T = torque", f"{TWIN}::test_plant_on_arrays_is_the_plant_of_the_kernels"),
    Fault("patterns of power flow taken in the wrong order", "kernels/plant.py", "flips |= 1 << b", "flips |= 1",
          f"{TORQUES}::test_no_power_is_made_or_lost"),
    Fault("transition cost forgotten in the sweep", "kernels/sweep.py", "driven[links.after[q]] + links.fixed[q] +",
          "driven[links.after[q]] +", f"{CLOSED}::test_stagecoach_problem"),
    Fault("value of the wrong interval in the sweep", "kernels/sweep.py", "later = cost[k, links.node[c]], value[k + 1, c]",
          "later = cost[k, links.node[c]], value[min(k + 2, value.shape[0] - 1), c]", f"{CLOSED}::test_stagecoach_problem"),
    Fault("power of the utility factor's terms one too low", "regulations/utility.py", "enumerate(coefficients, 1)",
          "enumerate(coefficients)", "tests/regulations/test_formulas.py::test_utility_factor_of_800_km"),
    Fault("phase counted with the cumulative factor", "regulations/utility.py", "[b - a for a, b in", "[b for a, b in",
          "tests/regulations/test_formulas.py::test_utility_factors_of_three_whole_cycles"),
    Fault("one per cent of a machine's loss", "kernels/plant.py", "return at(cut.torque_axis[m], cut.torque_count[m], cut.loss_row[m], T)",
          "return 1.01 * at(cut.torque_axis[m], cut.torque_count[m], cut.loss_row[m], T)", f"{HAND}::test_parallel_charging_in_third"),
    Fault("one per cent of a mesh's loss", "plant/torque_maps.py", "(first, second * efficiency) if forward",
          "(first, second * (1.0 - 1.01 * (1.0 - efficiency))) if forward", f"{TORQUES}::test_mesh_losses_by_hand"),
    Fault("one per cent of fuel", "kernels/plant.py", "return at(cut.fuel_axis, cut.fuel_axis.size, cut.fuel_row,",
          "return 1.01 * at(cut.fuel_axis, cut.fuel_axis.size, cut.fuel_row,", f"{HAND}::test_parallel_charging_in_third"),
    Fault("one per cent of hold and standby power", "kernels/plant.py", "auxiliary_W + plant.hold_W[t]",
          "auxiliary_W + 1.01 * plant.hold_W[t]", f"{ELEMENTS}::test_standby_power"),
    Fault("one per cent of the auxiliaries", "kernels/plant.py", "auxiliary_W + plant.hold_W[t]",
          "1.01 * auxiliary_W + plant.hold_W[t]", f"{HAND}::test_parallel_charging_in_third"),
    Fault("one per cent of drag", "kernels/plant.py", "size = plant.drag[t, d, 2] + plant.drag[t, d, 3] * abs(w)",
          "size = 1.01 * (plant.drag[t, d, 2] + plant.drag[t, d, 3] * abs(w))", f"{ELEMENTS}::test_drags_by_hand"),
    Fault("one per cent of cranking", "kernels/transitions.py", "n.crank_torque * 0.5 * wb * n.crank_time",
          "1.01 * n.crank_torque * 0.5 * wb * n.crank_time", f"{HAND}::test_engine_start_in_third"),
    Fault("one per cent of the engine's motoring drag", "kernels/plant.py", "engine_torque = -at(plant.motoring_speed",
          "engine_torque = -1.01 * at(plant.motoring_speed", f"{ELEMENTS}::test_a_fuel_cut_second"),
    Fault("one per cent of the battery's loss", "kernels/battery.py", "root = 1.0 - 4.0 * P * x",
          "root = 1.0 - 4.04 * P * x", f"{BATTERY}::test_constant_voltage_battery"),
    Fault("width of a cell rounded to joules", "kernels/cells.py", "width = (edge[size] - edge[0]) / size tilt, price",
          "width = round((edge[size] - edge[0]) / size)\n    tilt, price", f"{SEARCH}[three seconds, 28 nodes]", True),
    Fault("full battery outside the last cell", "kernels/cells.py", "max(math.floor(place - NEAR), low)",
          "max(math.floor(place + NEAR), low)", f"{SEARCH}[full at the start]", True),
    Fault("energy of a cell taken at its wrong end", "kernels/cells.py", "shift = 0 if tilt >= 0.0 else 1",
          "shift = 1 if tilt >= 0.0 else 0", f"{CELLS_ALONE}[both ends, four segments]", True),
    Fault("charge at the end taken at the upper edge of its cell", "kernels/cells.py", "max(edge[i], 0.0)", "max(edge[i + 1], 0.0)",
          f"{CELLS_ALONE}[tiny battery]", True),
    Fault("a step reaches a cell too few", "kernels/cells.py", "1 + math.floor(-least + NEAR)", "math.floor(-least + NEAR)",
          f"{CELLS_ALONE}[tiny battery]", True),
    Fault("greatest loss of a block of cells for its least", "kernels/cells.py", "add = fuel + price * p_least",
          "add = fuel + price * 2.0 * P / (1.0 + math.sqrt(max(1.0 - 4.0 * P * x_most, 0.0)))",
          f"{CELLS_ALONE}[strong dependence on charge]", True),
    Fault("neighbour of a state asked whether it is followed", "kernels/cells.py", "or not followed[c]", "or not followed[c - 1]",
          f"{SEARCH}[three seconds, 28 nodes]", True),
    Fault("a change gives its energy instead of taking it, in cells", "kernels/cells.py", "first, last = _steps(moved, moved)",
          "first, last = _steps(-moved, -moved)", f"{CELLS_ALONE}[both ends, four segments]", True),
    Fault("cold engine burns like a warm one in the cells", "kernels/cells.py", "points.fuel[j] * points.burn[k] - stage",
          "points.fuel[j] * points.dt[k] - stage", f"{CELLS_ALONE}[cold engine]", True),
    Fault("limits of power left out of the cells", "kernels/cells.py", "root < 0.0 or P > cells.gives[block] or P < -cells.takes[block]",
          "root < 0.0", f"{RAISED}::test_raised_bound_knows_what_a_low_battery_gives", True),
    Fault("limit of power of a block taken at its least", "solve/cells.py", "np.maximum.reduceat(most, starts) for most",
          "np.minimum.reduceat(most, starts) for most", f"{RAISED}::test_cells_hold_the_extremes_of_the_power_limits", True),
    Fault("cells follow half of what they claim", "solve/cells.py", "narrow = pruned(problem, bound, by_g)",
          "narrow = pruned(problem, bound, 0.5 * by_g)", f"{SEARCH}[two seconds]", True),
    Fault("bound raised by at least the slack, not by at most", "solve/cells.py", "min(max(float(excess), 0.0), by_g)",
          "max(float(excess), by_g)", f"{SEARCH}[two seconds]", True),
    Fault("least a change takes for the most it takes", "solve/room.py", "max(lows[0, k] - dearest_J[k], low)",
          "max(lows[0, k] - cheapest_J[k], low)", f"{ROOM}::test_trips_by_chance_lie_in_the_room[series]", True),
    Fault("floor of a trip too high by what it draws at most", "solve/room.py", "max(floor + least_J[k - 1], low)",
          "max(floor + most_J[k - 1], low)", f"{ROOM}::test_trips_by_chance_lie_in_the_room[series]", True),
    Fault("dearest change where the cheapest is meant, from the end", "solve/room.py", "max(floor + cheapest_J[k - 1], low)",
          "max(floor + dearest_J[k - 1], low)", f"{ROOM}::test_trips_by_chance_lie_in_the_room[changes that cost energy]", True),
    Fault("charge to spare at the end a fifth of what it costs", "solve/room.py", "narrow.target_J + by_g / price",
          "narrow.target_J + 0.2 * by_g / price", f"{ROOM}::test_trips_by_chance_lie_in_the_room[series]", True),
    Fault("least resistance for the most drawn", "solve/room.py", "out.max() / v.min()**2, into.max()",
          "out.min() / v.min()**2, into.max()", f"{ROOM}::test_what_points_draw_at_any_charge[1.0]", True),
    Fault("resistance looked at on the window's ends alone", "solve/room.py",
          "np.concatenate([battery.soc_at(np.array([low, high])), inside])", "battery.soc_at(np.array([low, high]))",
          f"{ROOM}::test_what_points_draw_at_any_charge[1.0]", True),
    Fault("values counted from an impossible one", "kernels/dynamic.py", "MOST = 1e6", "MOST = 1e13",
          "tests/solve/test_single_precision.py::test_where_the_middle_of_the_window_is_no_way", True),
    Fault("bend of the battery's root twice as sharp", "kernels/dynamic.py", "/ (2.0 * half * half)", "/ (half * half)",
          "tests/opinions/test_against_quantecon.py::test_parabola_for_the_square_root_costs_little", True),
    Fault("smooth maps are nothing beyond their ends", "solve/polish.py", "for n in range(len(axes)):", "for n in ():",
          "tests/opinions/test_polish.py::test_smooth_maps_go_on_a_little_beyond_their_ends[-1e-06]", True),
    Fault("room of a trip too low by what it draws", "solve/room.py", "min(highs[1, k] - least_J[k], high)",
          "min(highs[1, k] - most_J[k], high)", f"{SEARCH}[tiny battery]", True),
    Fault("points within a third of the slack kept only", "solve/certificate.py", "float(bound.intercept_g[0, -1]) + slack_g",
          "float(bound.intercept_g[0, -1]) + slack_g / 3.0", f"{SEARCH}[two seconds]", True),
    Fault("bend of the losses between samples forgotten", "solve/certificate.py", "share = np.diff(edge) ** 2 / 8",
          "share = np.diff(edge) ** 2 / 8e3", f"{AFFINE_ALONE}[strong dependence on charge]", True),
    Fault("sign of a jump of the costate in a plane", "solve/planes.py", "self.shape_before, -self.shape_after",
          "self.shape_before, self.shape_after", f"{PLANES}::test_parts_are_put_together_as_a_scan_finds_them", True),
    Fault("energy at a jump counted twice", "solve/planes.py", "own[k] -= at_J[k]", "own[k] += at_J[k]",
          f"{PLANES}::test_plane_touches_its_own_bound", True),
    Fault("a window that binds is never seen", "solve/steps.py", "< TOUCHES * (high - low)", "< 0.0",
          "tests/solve/test_windows_and_ends.py::test_a_wider_gap_is_enough_only_where_the_window_binds", True),
    Fault("table error of seconds told by affine bounds alone", "solve/finer.py", "found.lower_g <= found.bound.bound_g or",
          "found.lower_g >= found.bound.bound_g or",
          "tests/opinions/test_polish.py::test_bar_of_a_trip_of_seconds_holds_continuous_choices[series-7]", True),
    Fault("power limit falls towards rest", "strategies/rules.py", "(1.0 - kmh / c.electric.slow_kmh)", "(kmh / c.electric.slow_kmh)",
          "tests/strategies/test_rules.py::test_the_power_limit_rises_towards_rest"),
    Fault("charge left over is worth something", "strategies/trip.py", "or (self.level_below and end_J < self.end_J[0])", "",
          f"{TUNE}::test_beyond_the_optima_a_trip_goes_straight_on"),
    Fault("optimum stands where it was asked to end", "strategies/trip.py", "course.energy_J(best.soc_end)", "course.energy_J(_)",
          f"{TUNE}::test_an_optimum_stands_where_it_ends"),
    Fault("cost is that of the last road", "strategies/tune.py", "return total / len(task.trips)", "return total",
          f"{TUNE}::test_the_cost_is_the_mean_over_the_roads", True),
    Fault("search keeps the worse", "strategies/tune.py", "if min(costs) < cost", "if min(costs) > cost",
          f"{TUNE}::test_the_search_is_seeded_improves_and_goes_on_from_its_journal", True),
    Fault("what is not named is fitted too", "judge/tuning.py", "hysteresis_of(first)) if names else fit",
          "hysteresis_of(first)) if not names else fit", f"{TUNE}::test_what_is_not_named_stays_as_it_was", True),
)


def place_of(fault: Fault, package: Path) -> tuple[Path, int, int] | None:
    """File, begin and end of the text that a fault replaces; None where it does not stand exactly once."""
    pattern = re.compile(r"\s*".join(re.escape(word) for word in re.findall(r"\w+|[^\w\s]", fault.right)))
    named = package / fault.file
    for files in ([named] if named.is_file() else [], sorted(named.parent.glob("*.py"))):
        found = [(path, *match.span()) for path in files for match in pattern.finditer(path.read_text(encoding="utf-8"))]
        if len(found) == 1:
            return found[0]
    return None


def tried(fault: Fault, copy: Path) -> str:
    """``caught``, ``missed``, or why the fault could not be planted."""
    place = place_of(fault, copy / "ems")
    if place is None:
        return "not planted: its place is not there once"
    path, begin, end = place
    source = path.read_text(encoding="utf-8")
    path.write_text(source[:begin] + fault.wrong + source[end:], encoding="utf-8")
    try:
        return "caught" if not passes(fault, copy) else "missed"
    finally:
        path.write_text(source, encoding="utf-8")


def passes(fault: Fault, copy: Path) -> bool:
    """Whether a fault's test passes on the copy."""
    environment = {**os.environ, "NUMBA_DISABLE_JIT": str(int(not fault.compiled)), "EMS_CACHE_DIR": str(copy / "cache"),
                   "PYTHONPATH": str(copy), "PYTHONDONTWRITEBYTECODE": "1"}
    ended = subprocess.run([sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", fault.test], cwd=copy, env=environment,
                           capture_output=True, text=True)
    if ended.returncode not in (0, 1):
        raise RuntimeError(f"{fault.test} did not run:\n{ended.stdout[-2000:]}{ended.stderr[-2000:]}")
    return ended.returncode == 0


def main(names: list[str] | None = None) -> dict[str, str]:
    """Tries every fault (or those whose name holds one of the words) and prints what became of it."""
    outcome = {}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        for part in ("ems", "maps", "cycles", "benchmarks", "docs", "tests"):
            shutil.copytree(CHECKOUT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__"))
        shutil.copy(CHECKOUT / "pyproject.toml", copy)
        chosen = [f for f in FAULTS if not names or any(word in f.name for word in names)]
        for fault in {(f.test, f.compiled): f for f in chosen}.values():
            if not passes(fault, copy):
                raise SystemExit(f"{fault.test} fails without any fault: nothing can be said")
        for fault in chosen:
            outcome[fault.name] = tried(fault, copy)
            print(f"{outcome[fault.name]:8} {fault.name:58} {fault.file:32} {fault.test}", flush=True)
    print(f"{sum(o == 'caught' for o in outcome.values())} of {len(outcome)} caught")
    return outcome


if __name__ == "__main__":
    sys.exit(0 if set(main(sys.argv[1:]).values()) == {"caught"} else 1)
