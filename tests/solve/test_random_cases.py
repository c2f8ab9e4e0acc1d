"""Random layouts, maps, sizes and cycles through the whole solver: no traceback, and every relation that holds for any optimum.

Source: by definition of a bound and of an optimum; the first law. Draws are fixed for a set of imported
modules; `EMS_LONG=1` makes many more, anew each time.
"""

from __future__ import annotations

import os
import random
import tempfile
from collections import Counter
from collections.abc import Callable
from copy import deepcopy
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st

from ems.errors import EmsError, InputError, RunError
from ems.layout.load import layout_from, load_layout
from ems.plant.plant import build_plant
from ems.solve.dynamic import full_corridor, solve_dynamic
from ems.solve.optimum import optimum
from ems.solve.problem import build_problem
from ems.tables.build import build_tables
from ems.trips.demand import demand
from tests.plant.test_random_layouts import drawn
from tests.solve.conftest import SMALL, Pieces, trip_at_random
from tests.solve.drawn import cycles, layouts
from tests.solve.substituted import substituted

LONG = os.environ.get("EMS_LONG") == "1"
FIXED = 23
POLICIES = 12
WIDE_PERCENT = 1.0      # gap beyond which a better trip may have been missed, as where a few grams are burnt: told, and counted
WIDE_SHARE = 0.4
MISSED = 0.001          # of the fuel of such short trips, by which a sweep over all points and the whole window may find a better one
USUAL_g_J = 6e-5        # some two and a half units of fuel energy for one of stored energy


def examples(few: int, many: int, fixed: int = FIXED) -> Callable:
    """Decorator: a few examples, the same every time; many, others every time, when long tests are asked for."""
    kept = settings(max_examples=many if LONG else few, deadline=None, database=None, print_blob=True,
                    suppress_health_check=list(HealthCheck), phases=(Phase.explicit, Phase.generate))
    return kept if LONG else lambda test: seed(fixed)(kept(test))


def solved(layout, cycle, tally: Counter, luck: int):
    """The optimum, or None where words say why there is none; where they say charge, no trip at random may end with enough of it."""
    tally["drawn"] += 1
    try:
        found = optimum(layout, cycle, grid=SMALL, lanes=2)
    except EmsError as told:
        assert str(told)
        if isinstance(told, RunError):
            tally["charge"] += 1
            problem, draw = tabulated(layout, cycle), np.random.default_rng(luck)
            trips = [trip_at_random(problem, draw, price_g_J=USUAL_g_J * (1.0 + 0.5 * policy)) for policy in range(2 * POLICIES)]
            tally["wrong words"] += any(trip is not None and trip[2][-1] >= problem.target_J for trip in trips)
        return None
    tally["solved"] += 1
    return found


def tabulated(layout, cycle):
    """The problem that the optimum begins with."""
    tables = build_tables(build_plant(layout, lanes=2), demand(cycle, layout.vehicle), SMALL)
    energy = float(layout.battery.energy_J(layout.battery.soc_target))
    return build_problem(tables, energy, energy)


def checked(found, tally: Counter, luck: int) -> None:
    """bound <= optimum <= any other trip through the same tables, to the same charge or with it valued by the certificate."""
    problem, bound = found.problem, found.bound
    assert 0 <= bound.bound_g <= found.lower_bound_g + 1e-12 or found.lower_bound_g == 0.0
    assert found.lower_bound_g <= found.objective_g * (1 + 1e-12) + 1e-12
    assert found.soc_end >= found.soc_start - 1e-9 and abs(found.energy_residual_percent) < 1e-4
    searched = found.gap_percent <= WIDE_PERCENT
    tally["wide"] += not searched
    fine = solve_dynamic(problem, full_corridor(problem, 1001, float(bound.costate_g_J.max())))
    assert found.lower_bound_g <= fine.objective_g * (1 + 1e-12)
    assert not searched or found.objective_g <= fine.objective_g * (1 + MISSED) + 1e-3
    draw, compared, level = np.random.default_rng(luck), 0, 0
    for policy in range(POLICIES):
        trip = trip_at_random(problem, draw, price_g_J=USUAL_g_J * (1.0 + 0.25 * policy))
        if trip is None:
            continue
        cost, end = cost_g(problem, *trip[:2]), trip[2][-1]
        assert cost >= bound.bound_g + bound.costate_g_J[-1] * (end - problem.target_J) - 1e-9
        compared += 1
        if end >= problem.target_J:
            assert not searched or found.objective_g <= cost + 1e-9
            level += 1
    tally["compared"] += compared > 0
    tally["level"] += level > 0


def cost_g(problem, node, point) -> float:
    """Fuel and prices of a trip."""
    before = np.concatenate([[problem.points.first.shape[1]], node[:-1]])
    return float(problem.changes.fixed[before, node].sum() + (problem.points.fuel[point] * problem.points.burn).sum())


def enough(tally: Counter) -> None:
    """Neither cases nor comparisons were left out more often than a few times."""
    print(dict(tally))      # pytest -rP shows them
    assert tally["solved"] >= 0.5 * tally["drawn"]      # the others say that charge is out of reach, held against random trips
    assert tally["wrong words"] == 0
    assert tally["wide"] <= WIDE_SHARE * tally["solved"]
    assert tally["compared"] >= 0.95 * tally["solved"]
    assert tally["level"] >= 0.8 * tally["solved"]


def test_scaled_sources():
    """Shipped layouts with other ratings: an engine or a machine that is too weak for the trip ends in words."""
    tally: Counter[str] = Counter()

    @examples(8, 40)
    @given(cycle=cycles(), engine_kW=st.floats(50, 130), machine_kW=st.floats(50, 130), luck=st.integers(0, 2**32),
           name=st.sampled_from(["series", "input-split", "series-parallel", "three-clutch", "two-mode"]))
    def every(cycle, engine_kW, machine_kW, name, luck):
        layout = load_layout(name, overrides=(f"engine.rating_kW={engine_kW:.1f}", f"machines.mg2.rating_kW={machine_kW:.1f}"))
        found = solved(layout, cycle, tally, luck)
        if found is not None:
            checked(found, tally, luck)

    every()
    enough(tally)


def test_layouts_that_drive():
    """Every element and maps of their own, put into the equations again second by second."""
    tally: Counter[str] = Counter()

    @examples(24, 120)
    @given(data=st.data(), cycle=cycles(), luck=st.integers(0, 2**32))
    def every(data, cycle, luck):
        with tempfile.TemporaryDirectory() as folder:
            content = data.draw(layouts(Path(folder)))
            layout = layout_from(content, name="drawn", where="drawn", beside=Path(folder))
        for kind in ("planetary_sets", "clutches", "brakes", "one_way", "shifters"):
            tally[kind] += bool(content.get(kind))
        tally["slipping"] += any(clutch.slips for clutch in layout.clutches)
        tally["maps"] += any(isinstance(use["map"], dict) for use in content["machines"].values())
        found = solved(layout, cycle, tally, luck)
        if found is not None:
            checked(found, tally, luck)
            substituted(found, content)

    every()
    enough(tally)
    kinds = [tally[kind] for kind in ("planetary_sets", "clutches", "brakes", "one_way", "shifters", "slipping", "maps")]
    assert min(kinds) >= 2 if LONG else sum(kind > 0 for kind in kinds) >= 5    # what is drawn depends on all that was imported before


WRONG = {"gears.step.ratio": "0.501", "gears.end.ratio": "3.01", "planetary_sets.reduction.ratio": "2.11", "clutches.K1.drag_Nm": "0.7",
         "shafts.diff.drag_Nms_rad": "0.006", "shafts.diff.inertia_kgm2": "0.07"}


def test_substitution_finds_a_wrong_file():
    """What stands in the file is what is put into the equations: one figure of it changed, and the same trip fulfils them no more."""
    content = {
        "name": "drawn", "vehicle": "hill-taxi", "battery": "hybrid-1k5", "axles": {"front": {"shaft": "diff"}},
        "engine": {"shaft": "crank", "map": "dedicated-1500", "started_by": "mg1"},
        "machines": {"mg1": {"shaft": "r1", "map": "machine-75"}, "mg2": {"shaft": "r2", "map": "machine-120"}},
        "gears": {"end": {"from": "out", "to": "diff", "ratio": Decimal(3)}, "step": {"from": "crank", "to": "r1", "ratio": Decimal("0.5")},
                  "lay": {"from": "lay", "to": "diff", "ratio": Decimal("3.2")}},
        "planetary_sets": {"reduction": {"sun": "r2", "ring": "r", "carrier": "out", "ratio": Decimal("2.1")}},
        "brakes": {"B1": {"holds": "r", "drag_Nm": Decimal("0.4")}},
        "clutches": {"C1": {"joins": ["r2", "r"]}, "K1": {"joins": ["crank", "lay"], "drag_Nm": Decimal("0.5")}},
        "shafts": {"diff": {"inertia_kgm2": Decimal("0.05"), "drag_Nms_rad": Decimal("0.005")}},
    }
    found = optimum(layout_from(content, name="drawn", where="drawn"), Pieces.cycle("udds", 160, 240), grid=SMALL, lanes=2)
    substituted(found, content)
    for key, value in WRONG.items():
        with pytest.raises(AssertionError):
            substituted(found, changed(content, key, Decimal(value)))
            print(key)


def changed(content, key, value):
    """A copy of nested tables with the value under a dotted key changed."""
    copy = deepcopy(content)
    *tables, last = key.split(".")
    inner = copy
    for table in tables:
        inner = inner[table]
    assert last in inner
    inner[last] = value
    return copy


def test_layouts_that_mostly_do_not():
    """Absurd layouts end in words, hardly ever in an optimum."""
    tally: Counter[str] = Counter()

    @examples(40, 300, 20)
    @given(cycle=cycles(), luck=st.integers(0, 10**6))
    def every(cycle, luck):
        content = drawn(random.Random(luck))
        try:
            layout = layout_from(content, name="drawn", where="drawn")
        except InputError as told:
            assert told.mistakes
            return
        found = solved(layout, cycle, tally, luck)
        if found is not None:
            checked(found, tally, luck)
            substituted(found, content)

    every()
    assert tally["drawn"] >= 1 and tally["wrong words"] == 0
