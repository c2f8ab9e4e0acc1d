"""Random layouts, sizes and cycles through the whole solver: no traceback, and the order bound <= optimum <= any other trip.

Source: by definition of a bound and of an optimum; the first law for the audit. Draws are fixed (derandomised).
"""

from __future__ import annotations

import random
from decimal import Decimal

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ems.errors import EmsError
from ems.kernels.changes import HUGE
from ems.kernels.sweep import internal_power
from ems.layout.load import layout_from, load_layout
from ems.solve.optimum import optimum
from ems.trips.cycle import Cycle
from tests.plant.test_random_layouts import drawn
from tests.solve.conftest import SMALL

FEW = settings(max_examples=3, deadline=None, derandomize=True, database=None, suppress_health_check=list(HealthCheck))


@st.composite
def cycles(draw) -> Cycle:
    """Up and down within 16 seconds, with a grade; from a stop to a stop."""
    top, seconds = draw(st.floats(3.0, 16.0)), 16
    speed = np.interp(np.arange(seconds + 1), [0, 2, 8, 11, 15, 16], [0, 0, top, draw(st.floats(1.0, top)), 0, 0])
    grade = np.full(seconds + 1, draw(st.sampled_from([-0.04, 0.0, 0.03])))
    return Cycle(name="drawn", title="drawn", time_s=np.arange(seconds + 1.0), speed_m_s=speed,
                 grade=grade, auxiliary_W=np.zeros(seconds))


def checked(found) -> None:
    """Every relation that holds for any optimum, and that random trips through the same tables cost no less than the bound."""
    assert 0 <= found.lower_bound_g <= found.objective_g * (1 + 1e-12) + 1e-12
    c, layout = {k: np.asarray(v) for k, v in found.trace.columns.items()}, found.layout
    lost = 1e-6 * max(found.stores_kJ["fuel"], sum(found.losses_kJ.values()))
    given_, gone = found.stores_kJ["fuel"] + found.stores_kJ["battery"], sum(found.losses_kJ.values())
    assert abs(given_ - gone - found.stores_kJ["kinetic"] - found.stores_kJ["climb"]) <= lost
    electrical = sum(c[f"{use.name}_electrical_kW"] for use in layout.machines)
    standing = c["auxiliary_kW"] + c.get("loss_hold_kW", 0.0) + c["free_speed_kW"]
    assert np.allclose(c["battery_power_kW"], electrical + standing, atol=1e-6)
    shafts = c["engine_power_kW"] + sum(c[f"{use.name}_power_kW"] for use in layout.machines)
    assert (np.abs(shafts) < 1e3).all() and c["brake_power_kW"].min() > -1e-6
    for seed in range(5):
        cost, end = random_trip(found.problem, np.random.default_rng(seed))
        if np.isfinite(end):        # the affine values bound a trip to any charge, charge above the target at the last costate
            assert cost >= found.bound.bound_g + found.bound.costate_g_J[-1] * (end - found.problem.target_J) - 1e-9


def random_trip(problem, draw) -> tuple[float, float]:
    """(cost, energy at the end) of points drawn at random; energy is -inf where the window or the changes end it."""
    points, changes = problem.points, problem.changes
    a, e, cost = problem.alive.shape[1], problem.start_J, 0.0
    low, high = problem.window_J
    for k in range(points.dt.size):
        possible = [n for n in np.flatnonzero(points.count[k]) if changes.stored[k, a, n] < HUGE]
        if not possible:
            return cost, -np.inf
        n = a if a in possible and draw.random() < 0.8 else draw.choice(possible)
        j = points.first[k, n] + draw.integers(points.count[k, n])
        cost += changes.fixed[a, n] + points.fuel[j] * points.burn[k]
        e -= changes.stored[k, a, n]
        if not low <= e <= high:
            return cost, -np.inf
        e -= internal_power(problem.plant.battery, e, points.power[j]) * points.dt[k]
        if not low <= e <= high:
            return cost, -np.inf
        a = n
    return cost, e


@FEW
@given(cycle=cycles(), engine_kW=st.floats(50, 130), machine_kW=st.floats(50, 130),
       name=st.sampled_from(["series", "input-split", "series-parallel"]))
def test_scaled_sources(cycle, engine_kW, machine_kW, name):
    layout = load_layout(name, overrides=(f"engine.rating_kW={engine_kW:.1f}", f"machines.mg2.rating_kW={machine_kW:.1f}"))
    try:
        found = optimum(layout, cycle, grid=SMALL, lanes=2)
    except EmsError:
        return
    checked(found)


@st.composite
def drivable(draw) -> dict[str, object]:
    """Raw content of a layout that can drive: mg2 on the wheels, engine and mg1 by a step-up or a planetary set, perhaps a clutch."""
    def some(*texts: str) -> Decimal:
        return Decimal(draw(st.sampled_from(texts)))

    def table(**keys):
        return keys | ({"drag_Nm": Decimal("0.5")} if draw(st.booleans()) else {})

    split = draw(st.booleans())
    gears = {"drive": {"from": "r2", "to": "diff", "ratio": some("7", "9", "11"), "efficiency": some("0.96", "1")},
             "lay": {"from": "lay", "to": "diff", "ratio": some("2.6", "3.4")}}
    if not split:
        gears["step"] = {"from": "crank", "to": "r1", "ratio": some("0.5", "1", "-0.6")}
    slips = {"slips": True, "capacity_Nm": 250} if draw(st.booleans()) else {}
    return {
        "name": "drawn", "vehicle": "hill-taxi", "battery": "hybrid-1k5", "axles": {"front": {"shaft": "diff"}},
        "engine": {"shaft": "crank", "map": "dedicated-1500", "started_by": "mg1", "fuel_cut": draw(st.booleans())},
        "machines": {"mg1": {"shaft": "r1", "map": "machine-75"}, "mg2": {"shaft": "r2", "map": "machine-120"}},
        "gears": gears, "clutches": {"K1": table(joins=["crank", "lay"], **slips)},
        "planetary_sets": {"p": {"sun": "r1", "ring": "lay", "carrier": "crank", "ratio": some("2.2", "2.6")}} if split else {},
        "shafts": {"diff": table(inertia_kgm2=Decimal("0.05"), drag_Nms_rad=Decimal("0.01"))},
    }


@FEW
@given(cycle=cycles(), content=drivable())
def test_layouts_that_drive(cycle, content):
    """None of these may fail for want of drive: 17 m/s at most within 120 kW."""
    checked(optimum(layout_from(content, name="drawn", where="drawn"), cycle, grid=SMALL, lanes=2))


@FEW
@given(cycle=cycles(), seed=st.integers(0, 10**6))
def test_layouts_that_mostly_do_not(cycle, seed):
    """Absurd layouts end in words, hardly ever in an optimum."""
    try:
        found = optimum(layout_from(drawn(random.Random(seed)), name="drawn", where="drawn"), cycle, grid=SMALL, lanes=2)
    except EmsError as told:
        assert str(told)
        return
    checked(found)
