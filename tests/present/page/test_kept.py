"""A page made from a folder is the page made at once; what does not fit is told."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from ems.errors import InputError
from ems.output import csv_text, dumps
from ems.present.page.report import comparison_page, html, optimum_page
from ems.present.page.results import result_page
from ems.present.page.trip import TRACE_FILE, TRIP_FILE, comparison_csv, keep, read_trip, trip_of, trip_of_comparison


@pytest.fixture
def folder(found, tmp_path):
    keep(trip_of(found), tmp_path / TRIP_FILE)
    (tmp_path / TRACE_FILE).write_text(csv_text(found.to_frame()), encoding="utf-8")
    return tmp_path


def test_an_optimum_read_again_gives_the_same_page(found, folder):
    at_once = html(optimum_page(trip_of(found), found.to_dict()))
    again = read_trip(folder, found.layout, found.cycle, lanes=6)
    assert html(optimum_page(again, found.to_dict())) == at_once


def test_the_page_of_half_an_hour_is_small(found, compared):
    pages = optimum_page(trip_of(found), found.to_dict()), comparison_page(trip_of_comparison(compared), compared.to_dict())
    for page in map(html, pages):
        data = re.search(r'id="data">(.*?)</script>', page, re.S).group(1)
        grows = len(data.encode()) / found.trace.demand.dt_s.size                 # what is not a column is counted as one: too much
        assert len(page.encode()) - len(data.encode()) + 1800 * grows < 5e6


def test_a_comparison_read_again_gives_the_same_page(compared, tmp_path):
    trip = trip_of_comparison(compared)
    keep(trip, tmp_path / TRIP_FILE)
    for name, text in comparison_csv(compared).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    again = read_trip(tmp_path, compared.layout, compared.cycle, 6, compared.strategy)
    assert html(comparison_page(again, compared.to_dict())) == html(comparison_page(trip, compared.to_dict()))


def test_the_ranking_along_a_strategy_is_that_of_its_ledger(compared):
    """The best configuration undercuts the chosen one by what the ledger says of configuration and transition together.

    The ledger also lets the lane of a free engine speed be better than the driven one, so it may say less there. It takes the battery's
    losses at the energy after the change, the ranking before it: within a tenth of a milligram.
    """
    ranked, causes, trace = trip_of_comparison(compared).ranked, compared.ledger.causes_g, compared.trace
    undercut = -np.where(np.isfinite(ranked.extra_g), ranked.extra_g, np.inf).min(axis=1)
    told = causes["configuration"] + causes["transition"]
    single = np.array([trace.plant.nodes[n].high_rad_s == 0.0 for n in trace.node])      # no free engine speed
    assert single.sum() > 100 and undercut[single] == pytest.approx(told[single], abs=1e-4)
    assert (undercut > told - 1e-4).all() and undercut.max() > 0.01


@pytest.mark.parametrize(("spoil", "word"), [
    (lambda f: (f / TRIP_FILE).unlink(), "not there"),
    (lambda f: (f / TRIP_FILE).write_bytes(b"no arrays"), "no file of arrays"),
    (lambda f: (f / TRACE_FILE).unlink(), "do not belong together"),
    (lambda f: (f / TRACE_FILE).write_text("time_s,configuration\n0,off:open\n"), "do not belong together"),
])
def test_a_spoilt_folder_is_told(found, folder, spoil, word):
    spoil(folder)
    with pytest.raises(InputError) as caught:
        read_trip(folder, found.layout, found.cycle, lanes=6)
    (mistake,) = caught.value.mistakes
    assert word in mistake.found and "run it again" in mistake.expected


def test_other_lanes_than_it_was_solved_with_are_told(found, folder):
    with pytest.raises(InputError, match="belong together"):
        read_trip(folder, found.layout, dataclasses.replace(found.cycle), lanes=1)


def test_markup_in_a_result_appears_as_text(results):
    evil = dumps(results["ems.versus/1"]).replace("series-parallel", "<script>x</script>")
    import json

    page = html(result_page("ems.versus/1", json.loads(evil)))
    assert "<script>x" not in page and "&lt;script&gt;x" in page
