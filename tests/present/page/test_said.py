"""What the page says of a second and of a part agrees with the trace and with the result beside it."""

from __future__ import annotations

import re

import numpy as np
import pytest

from ems.present.page.parts_sections import worth_section
from ems.present.page.report import comparison_page, optimum_page
from ems.present.page.trip import trip_of, trip_of_comparison


def show(browser, k):
    browser.run(f"(() => {{ const s = document.getElementById('slider'); s.value = {k}; s.dispatchEvent(new Event('input')); }})()")


def text(browser, name):
    return browser.run(f"document.getElementById('{name}').textContent")


@pytest.mark.parametrize("fixture", ["page", "strategy_page"])
def test_another_division_than_the_best_is_said(browser, request, found, compared, fixture):
    """Rows of the ranking are at a configuration's best division; where another was driven the page gives the fuel of the trace."""
    browser.open(request.getfixturevalue(fixture))
    strategy = fixture == "strategy_page"
    trip = trip_of_comparison(compared) if strategy else trip_of(found)
    trace, ranked = trip.trace, trip.ranked
    burnt = np.asarray(trace.columns["fuel_g_s"], float) * trace.demand.dt_s
    apart = np.abs(burnt - np.take_along_axis(ranked.fuel_g, ranked.chosen[:, None], axis=1)[:, 0])
    other, same = np.flatnonzero(apart > 0.0055), np.flatnonzero(apart < 0.0045)
    assert same.size > 20 and (other.size > 5 or not strategy)
    for k in (*other[:4].tolist(), *same[:4].tolist()):
        show(browser, k)
        told = re.search(r"that was driven burnt ([\d.]+) g", text(browser, "impossible"))
        assert (told is not None) == (k in other)
        assert told is None or float(told.group(1)) == pytest.approx(burnt[k], abs=0.0055)


def test_a_strategy_is_not_said_to_choose_what_costs_least(browser, page, strategy_page):
    for path, word in ((page, "Chosen because it costs least"), (strategy_page, "No other costs less here")):
        browser.open(path)
        said = set()
        for k in range(0, 140, 7):
            show(browser, k)
            said.add(text(browser, "why").split(".")[0])
        assert word in said and ("Chosen because it costs least" in said) == (path == page)


def test_a_stretch_zoomed_to_is_clear_and_holds_the_cursor(browser, page):
    browser.open(page)
    show(browser, 5)
    browser.run("for (const [id, t] of [['from', 60], ['to', 90]]) { const e = document.getElementById(id); e.value = t;"
                "e.dispatchEvent(new Event('change')); }")
    width = "Number(document.querySelector('#panel-speed .pick').getAttribute('width'))"
    assert browser.run(width) > 20.0
    browser.run("document.getElementById('zoom').click()")
    assert browser.run(width) == 0.0 and browser.run("document.getElementById('slider').value") == "60"
    assert browser.run("getComputedStyle(document.querySelector('#panel-speed .cursor')).display") != "none"


def test_losses_of_the_whole_trip_are_those_of_the_account(browser, page, found):
    browser.open(page)
    told = browser.run("Object.fromEntries([...document.querySelectorAll('#sum tbody tr')].map(r => [...r.cells].map(c => c.textContent)))")
    for name, words in (("battery", "battery"), ("mg1", "mg1"), ("mg2", "mg2"), ("meshes", "gear meshes"), ("engine", "engine heat")):
        assert float(told[f"lost: {words}"].removesuffix(" kJ")) == pytest.approx(found.trace.losses_kJ[name], abs=0.055)


def test_a_part_forbidden_in_vain_is_not_said_to_be_needed_when_deleted():
    row = {"part": "mg1", "kind": "machine", "how": "gone", "tie": False, "used": True}
    parts = [{**row, "what": "control", "needed": True, "why": "what is left cannot follow the cycle", "l_per_100km": None, "low": None,
              "high": None},
             {**row, "what": "hardware", "needed": False, "why": "", "l_per_100km": -0.1, "low": -0.2, "high": -0.05}]
    assert worth_section({"parts": parts}).notes[0] == (
        "The layout cannot do without: machine mg1, forbidden: what is left cannot follow the cycle.")
    assert worth_section({"parts": parts}).finding == (
        "None of the parts saves fuel on the whole: deleted, machine mg1 leaves a car that needs at least 0.050 l/100 km less.")
    assert worth_section({"parts": parts[:1]}).finding == "The layout can do without none of the parts that were asked for."


def test_titles_of_panels_part_heading_and_finding(browser, page):
    browser.open(page)
    titles = browser.run("[...document.querySelectorAll('.panel > svg > title')].map(t => t.textContent)")
    assert len(titles) == 3 and all(re.match(r"(Speed and modes|Power|Charge): \S", t) for t in titles)


@pytest.mark.parametrize("width", [1200, 1920])
def test_reasons_do_not_push_what_lies_below_up_and_down(browser, page, width):
    browser.open(page, width, 800)
    heights = browser.run("""(() => { const slider = document.getElementById("slider"), why = document.getElementById("why"), out = [];
        for (let k = 0; k <= Number(slider.max); k++) { slider.value = k; slider.dispatchEvent(new Event("input"));
            out.push(why.getBoundingClientRect().height); }
        return out; })()""")
    assert len(set(heights)) == 1


def test_bounds_in_the_head_are_rounded_to_the_safe_side(found, compared):
    """An error bar up, a least fuel down: what is printed is never more certain than what was found."""
    error = 0.01 * (found.gap_percent + found.table_error_percent) * found.fuel_l_per_100km
    told = dict(optimum_page(trip_of(found), found.to_dict()).head.facts)["Error bar"]
    assert error <= float(re.search(r"([\d.]+) l/100 km", told).group(1)) <= error + 1e-4
    bound_g = compared.optimum_objective_g * (1.0 - 0.01 * (compared.optimum_gap_percent + compared.table_error_percent))
    told = dict(comparison_page(trip_of_comparison(compared), compared.to_dict()).head.facts)["The least possible"]
    assert bound_g - 0.0101 <= float(re.search(r"less than ([\d.]+) g", told).group(1)) <= bound_g
