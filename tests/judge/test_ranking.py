"""The ranking of all seconds says what ``explain`` says of each."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import ems
from ems.judge.explain import explain
from ems.judge.ranking import ranking
from ems.solve.optimum import optimum

SHORT_TRIP = Path(__file__).parents[1] / "data" / "short-trip.csv"


@pytest.fixture(scope="module", params=["three-clutch", "input-split"])
def found(request):
    return optimum(ems.load_layout(request.param), ems.load_cycle(str(SHORT_TRIP)))


def test_every_configuration_costs_what_explain_says(found):
    ranked, ids = ranking(found), [c.id for c in found.trace.plant.derivation.configurations]
    parts = {"fuel_g": ranked.fuel_g, "equivalent_g": ranked.worth_g, "transition_g": ranked.change_g, "later_g": ranked.later_g}
    for k in (0, 9, 12, 40, 75, 101, 139):
        told = explain(found, float(k))
        rows = {row["id"]: row for row in told.rows}
        assert ids[ranked.chosen[k]] == told.chosen
        for c, name in enumerate(ids):
            assert bool(np.isfinite(ranked.total_g[k, c])) == rows[name]["feasible"], (k, name)
            if rows[name]["feasible"]:
                assert {p: v[k, c] for p, v in parts.items()} == pytest.approx({p: rows[name][p] for p in parts}, abs=1e-9)
        cheapest = [row["total_g"] for row in told.rows if row["feasible"]]
        assert ranked.total_g[k, ranked.order(k)] == pytest.approx(cheapest, abs=1e-9)


def test_the_chosen_one_costs_nothing_extra_and_its_fuel_is_the_trips(found):
    ranked = ranking(found)
    own = np.arange(ranked.chosen.size), ranked.chosen
    assert np.all(ranked.extra_g[own] == 0.0)
    told = np.asarray(found.trace.columns["fuel_g_s"], float) * found.trace.demand.dt_s
    same = np.isclose(ranked.fuel_g[own], told, atol=1e-6)
    assert same.mean() > 0.5      # elsewhere a neighbouring point of the frontier costs as little
