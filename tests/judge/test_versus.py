"""Layouts side by side: bars and ties by interval arithmetic, losses that close, parts held equal, what differs told."""

from __future__ import annotations

import json
from io import StringIO

import numpy as np
import pytest
from rich.console import Console

from ems.errors import InputError
from ems.judge.bars import Bar, litres_per_100km
from ems.judge.versus import PARTS, differences, sharing, versus
from ems.layout.load import load_layout
from ems.output import dumps
from ems.present.versus_text import _alike, versus_text
from ems.strategies.simulate import simulate


@pytest.fixture(scope="module")
def result(town):
    return versus([load_layout("input-split"), load_layout("series")], [town.cycle], same=["battery"], grid=town.grid)


def test_bars_by_interval_arithmetic():
    """Interval arithmetic (Moore): [a, b] - [c, d] = [a - d, b - c]; a negative factor swaps the ends. By hand."""
    a, b = Bar(5.0, 4.9, 5.0), Bar(4.8, 4.7, 4.85)
    assert a - b == Bar(pytest.approx(0.2), pytest.approx(0.05), pytest.approx(0.3))
    assert a * -2.0 == Bar(-10.0, -10.0, -9.8)
    assert not (a - b).holds_zero and not a.overlaps(b)
    assert a.overlaps(Bar(5.1, 4.95, 5.2)) and (a - Bar(5.1, 4.95, 5.2)).holds_zero


def test_a_bar_is_gap_and_table_error_below_the_trip(town):
    found = town.optimum("series")
    bar = litres_per_100km(found)
    assert bar.value == bar.high == pytest.approx(found.fuel_l_per_100km)
    assert 100.0 * (bar.value - bar.low) / bar.value == pytest.approx(found.gap_percent + found.table_error_percent)


def test_losses_close_to_the_fuel(result):
    """The first law: what the fuel held is lost somewhere, stored, or drove the car."""
    for cell in result.cells:
        assert sum(cell.losses_l_per_100km.values()) == pytest.approx(cell.found.fuel_l_per_100km, rel=1e-6)
        assert sum(cell.grouped_l_per_100km.values()) == pytest.approx(cell.found.fuel_l_per_100km, rel=1e-6)
        assert cell.fuel.low > cell.found.floor_l_per_100km


def test_cells_are_the_optima_themselves(result, town):
    """Nothing of the comparison changes the figure: the same as solving alone (both have the same battery)."""
    series = next(c for c in result.cells if c.layout == "series")
    assert series.fuel.value == pytest.approx(town.optimum("series").fuel_l_per_100km, rel=1e-12)


def test_a_layout_ties_with_itself_and_needs_less_when_lighter(town):
    light = load_layout("series", overrides=["vehicle.mass_kg=1600"])
    twin = load_layout("series")
    object.__setattr__(twin, "name", "twin")
    object.__setattr__(light, "name", "light")
    made = versus([load_layout("series"), twin, light], [town.cycle], grid=town.grid)
    assert [t["layouts"] for t in made.ties] == [["series", "twin"]]
    assert made.ranked("town")[0].layout == "light"
    assert {row["what"] for row in made.differs} == {"vehicle mass"}


def test_a_strategy_is_judged_at_equal_charge(town):
    """Stored energy that it ends with too much, times the costate at the end, taken off: the certificate bounds what is left.

    The store by hand: open-circuit voltage over charge, integrated by the trapezoidal rule.
    """
    made = versus([load_layout("series-parallel")], [town.cycle], grid=town.grid, strategy="ecms")
    cell = made.cells[0]
    trip = simulate(load_layout("series-parallel"), town.cycle, "ecms")
    assert not cell.strategy_why and trip.soc_end == pytest.approx(cell.strategy_soc_end, abs=1e-9)
    found, battery = cell.found, cell.found.layout.battery
    soc = np.linspace(found.soc_end, trip.soc_end, 1001)
    more_J = np.trapezoid(np.interp(soc, battery.soc, battery.voltage_V), soc) * battery.capacity_As
    grams = trip.fuel_g - float(found.bound.costate_g_J[-1]) * more_J
    assert abs(more_J) > 1e3 and cell.strategy_l_per_100km == pytest.approx(found.fuel_l_per_100km * grams / found.fuel_g, rel=1e-6)
    assert grams > found.bound.bound_g * (1.0 - found.table_error_percent / 100.0)
    assert sum(cell.mode_share.values()) == pytest.approx(1.0)
    assert made.to_dict()["matrix"][0]["strategy_l_per_100km"] == cell.strategy_l_per_100km


def test_json_has_what_the_contract_asks(result):
    out = json.loads(dumps(result.to_dict()))
    assert {"matrix", "ties", "differs", "same"} <= set(out)
    for row in out["matrix"]:
        assert {"layout", "cycle", "fuel_l_per_100km", "low", "high", "floor_l_per_100km", "losses_kJ", "capability"} <= set(row)
        assert row["low"] <= row["fuel_l_per_100km"] <= row["high"]
        assert 7.0 < row["capability"]["normal"]["time_0_100_s"] < 11.0


def test_text_names_the_thriftiest_and_the_frame_is_flat(result, town):
    """The small tables leave the input split a range so wide that nobody may be named; those of usual fineness settle it."""
    fine = versus([load_layout("input-split"), load_layout("series")], [town.cycle], same=["battery"])
    split, series = (cell.fuel for cell in fine.cells)
    assert split.high < series.low and fine.ranked("town")[0].layout == "input-split" and not fine.ties
    for made in (result, fine):
        text = "\n".join(str(part) for part in versus_text(made))
        assert ("all within each other's range" in text) == bool(made.ties) == made.cells[0].fuel.overlaps(made.cells[1].fuel)
        assert (f"{made.ranked('town')[0].layout} needs least" in text) == (not made.ties) and "not a type-approval figure" in text
        console = Console(file=StringIO(), width=400, color_system=None)
        with console.capture() as captured:
            console.print(*versus_text(made), sep="\n")
        assert max(len(line.rstrip()) for line in captured.get().splitlines()) <= 120
    frame = result.to_frame()
    assert list(frame["layout"]) == ["input-split", "series"] and (frame["losses_kJ.engine"] > 0).all()
    assert not frame["normal.time_0_100_s"].isna().any()


def test_cars_that_weigh_the_same_whatever_their_parts_do_are_told(result):
    """input-split has parts of 252 kg, series of 260 (added up from their files)."""
    told = [str(part) for part in versus_text(result) if "whatever its parts do" in str(part)]
    assert len(told) == 1 and "--set masses.reference_kg=260" in told[0] and "1900 kg" in told[0]
    assert {"what": PARTS, "values": {"input-split": "252 kg", "series": "260 kg"}} in list(result.differs)
    lighter = [load_layout(name, overrides=["masses.reference_kg=260"]) for name in ("input-split", "series")]
    assert [layout.vehicle.mass_kg for layout in lighter] == [1892.0, 1900.0]


def test_what_is_alike_is_told_once():
    """By hand: of four columns one is the layouts' own, one alike, one nothing at all, one different."""
    headings, rows = ("layout", "road", "clutches", "drag"), [("a", "1.2", "-0.000", "0.1"), ("b", "1.2", "-0.000", "0.2")]
    assert _alike(headings, rows, headings[1:]) == ([("road", "1.2")], [0, 3])
    assert _alike(headings, rows[:1], headings[1:]) == ([], [0, 1, 3])


def test_parts_of_the_first_are_shared():
    first = load_layout("input-split", overrides=["vehicle.mass_kg=1500", "battery.soc_low=0.4"])
    second = load_layout("series")
    shared = sharing([first, second], ["vehicle", "battery", "machines"])[1]
    assert shared.vehicle is first.vehicle and shared.battery is first.battery
    assert [m.machine.rated_power_W for m in shared.machines] == [m.machine.rated_power_W for m in first.machines]
    assert [m.shaft for m in shared.machines] == [m.shaft for m in second.machines]
    assert shared.digest != second.digest
    told = {row["what"] for row in differences([first, second])}
    assert {"vehicle mass", "battery window", "machines", "planetary sets"} <= told
    assert not {"vehicle mass", "battery window", "machines"} & {row["what"] for row in differences([first, shared])}


def test_mistakes_are_all_told():
    with pytest.raises(InputError) as caught:
        sharing([load_layout("input-split")], ["vehicle", "wheels", "gearbox"])
    assert [m.found for m in caught.value.mistakes] == ["'wheels'", "'gearbox'"]
    with pytest.raises(InputError, match="twice"):
        versus([load_layout("series")] * 2, [])


def test_a_layout_that_cannot_follow_is_a_row_with_its_reason(town):
    weak = load_layout("series", overrides=["machines.mg2.rating_kW=12"])
    made = versus([weak], [town.cycle], grid=town.grid)
    assert made.cells[0].found is None and "cannot follow" in made.cells[0].why
    assert made.to_dict()["matrix"][0]["follows"] is False
