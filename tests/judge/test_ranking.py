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


def test_the_chosen_one_costs_nothing_extra_and_its_best_division_no_more_than_the_trips(found):
    """The trip's own point is one of those ranked; and what all of them together cost above the best is part of what the proof leaves
    open, since the prices of a trip add up to its cost minus the bound (see the ledger)."""
    ranked = ranking(found)
    own = np.arange(ranked.chosen.size), ranked.chosen
    assert np.all(ranked.extra_g[own] == 0.0)
    c, dt_s = found.trace.columns, found.trace.demand.dt_s
    fuel_g, spent_J = np.asarray(c["fuel_g_s"], float) * dt_s, 1e3 * np.asarray(c["battery_internal_kW"], float) * dt_s
    above = fuel_g + found.bound.costate_g_J[1:] * spent_J - (ranked.fuel_g + ranked.worth_g)[own]
    assert above.min() >= -1e-9
    assert above.sum() <= found.objective_g - found.bound.bound_g + 1e-9
