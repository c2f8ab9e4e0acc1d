"""A strategy as a study solves it: the trip it drives, held against the optimum of the same case."""

from __future__ import annotations

import dataclasses

from ems.judge.gap import at_equal_charge_g, gap_percent
from ems.layout.load import load_layout
from ems.layout.model import Layout
from ems.plant.plant import LANES, build_plant
from ems.strategies.course import course_of
from ems.strategies.load import load_strategy
from ems.strategies.simulate import simulate
from ems.studies.how import How, check_file
from ems.studies.solve_optimum import optimum_of
from ems.studies.solvers import Solved
from ems.trips.cycle import Cycle, load_cycle

WARM_UP_S = 120     # of UDDS: an electric start, the engine on and off


def solve_ecms(layout: Layout, cycle: Cycle, how: How) -> Solved:
    """ECMS whose constant is found on the cycle."""
    return _driven("ecms", layout, cycle, dataclasses.replace(how, strategy="ecms", strategy_digest=""))


def solve_strategy(layout: Layout, cycle: Cycle, how: How) -> Solved:
    """The strategy that the study names."""
    return _driven("strategy", layout, cycle, how)


def _driven(group: str, layout: Layout, cycle: Cycle, how: How) -> Solved:
    """The trip, at its own charge and at the optimum's; gap_percent is over the affine bound, which holds for every charge at the end."""
    check_file(how)
    best = optimum_of(layout, cycle, how)
    course = course_of(layout, cycle, best.problem.plant)
    trip = simulate(layout, cycle, load_strategy(how.strategy, layout), charge=how.charge, course=course)
    grams = at_equal_charge_g(best, trip.objective_g, float(trip.energy_J[-1]), best.problem.target_J)
    per_gram = 100.0 / layout.engine.engine.fuel.density_g_l / trip.distance_km
    return Solved({group: {
        "fuel_l_per_100km": trip.fuel_l_per_100km, "equal_charge_l_per_100km": grams * per_gram,
        "gap_percent": gap_percent(grams, best.bound.bound_g), "soc_end": trip.soc_end, "engine_starts": trip.engine_starts,
        "configuration_changes": trip.configuration_changes, "corrections": sum(trip.corrections.values()),
    }}, trip.to_frame)


def warm_up() -> None:
    """Compiles the kernels of optimum and simulator, or loads them."""
    from ems.solve.warm_up import warm_up as warm_up_optimum

    warm_up_optimum()
    layout, whole = load_layout("series"), load_cycle("udds")
    end = WARM_UP_S + 1
    cycle = dataclasses.replace(whole, time_s=whole.time_s[:end], speed_m_s=whole.speed_m_s[:end], grade=whole.grade[:end],
                                auxiliary_W=whole.auxiliary_W[:end - 1], phases=())
    course = course_of(layout, cycle, build_plant(layout, lanes=LANES))
    for word in ("rules", "ecms-adaptive"):
        simulate(layout, cycle, word, course=course)
