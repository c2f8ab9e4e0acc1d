"""Figures: drawn where they are told to, from the numbers of the result, readable without colour."""

from __future__ import annotations

import itertools
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import ems
from ems.plant import modes
from ems.present.figures import figure, mode_handles, plot_charge, plot_power, plot_speed, save_figure
from ems.present.palette import IN_GEARS, MODES, UNKNOWN, mode_style
from ems.solve.optimum import optimum

SHORT_TRIP = Path(__file__).parents[1] / "data" / "short-trip.csv"


@pytest.fixture(scope="module", params=["three-clutch", "input-split", "series"])
def found(request):
    return optimum(ems.load_layout(request.param), ems.load_cycle(str(SHORT_TRIP)))


@pytest.mark.parametrize("plot", [plot_speed, plot_power, plot_charge])
def test_axes_are_taken_and_returned(found, plot):
    from matplotlib.figure import Figure

    given = Figure().subplots()
    assert plot(found, ax=given) is given and given.has_data()
    assert plot(found).has_data()


def test_panels_share_the_time_axis_and_span_the_cycle(found):
    from matplotlib.figure import Figure

    given = Figure()
    assert figure(found, given) is given
    speed, power, charge = given.axes
    assert speed.get_xlim() == power.get_xlim() == charge.get_xlim() == (0.0, 140.0)
    assert all(ax.get_title(loc="left") for ax in given.axes)
    assert f"{found.fuel_l_per_100km:.3f} l/100 km" in given.get_suptitle()


def test_lines_are_the_numbers_of_the_trace(found):
    speed, charge = plot_speed(found).lines[0], plot_charge(found).lines[0]
    assert np.asarray(speed.get_ydata()) == pytest.approx(3.6 * found.trace.demand.boundary_speed_m_s)
    soc = np.asarray(charge.get_ydata())
    assert soc[0] == pytest.approx(found.soc_start) and soc[-1] == pytest.approx(found.soc_end) and soc.size == 141


def test_ribbon_covers_every_second_once(found):
    ax = plot_speed(found)
    boxes = [path.get_extents() for band in ax.collections[:-1] for path in band.get_paths()]
    assert sum(box.width for box in boxes) == pytest.approx(140.0)
    spans = sorted((box.x0, box.x1) for box in boxes)
    assert all(a[1] == pytest.approx(b[0]) for a, b in itertools.pairwise(spans))


def test_legend_tells_shares_and_stands_outside(found):
    legend = plot_speed(found).get_legend()
    words = [text.get_text() for text in legend.get_texts()]
    shares = found.time_share
    if len(words) == len(shares):
        assert words == [f"{label}, {100 * share:.1f} %" for label, share in shares.items()]
    else:
        told = [f"{label}, {100 * share:.1f} %" for label, share in list(shares.items())[:len(words) - 1]]
        left = list(shares.values())[len(words) - 1:]
        assert words == [*told, f"and {len(left)} others, {100 * sum(left):.1f} % of the time"]
    assert legend.get_bbox_to_anchor().transformed(legend.axes.transAxes.inverted()).x0 > 1.0


@pytest.mark.parametrize(("shares", "told", "others"), [
    ([0.6, 0.3, 0.1], 3, 0), ([0.9, 0.097, 0.003], 3, 0), ([0.9, 0.094, 0.003, 0.003], 2, 2), ([1 / 12] * 12, 12, 0),
    ([1 / 13] * 13, 11, 2), ([0.09] * 11 + [0.01], 12, 0), ([0.09] * 11 + [0.009, 0.001], 11, 2), ([0.0996] * 10 + [0.001] * 4, 10, 4)])
def test_no_mode_is_left_out_of_the_legend_without_a_word(shares, told, others):
    words = [h.get_label() for h in mode_handles({f"mode {n}": s for n, s in enumerate(shares)})]
    assert words[:told] == [f"mode {n}, {100 * s:.1f} %" for n, s in enumerate(shares[:told])]
    assert words[told:] == ([f"and {others} others, {100 * sum(shares[told:]):.1f} % of the time"] if others else [])
    assert len(words) <= 12


def test_every_lane_is_named_and_on_one_scale(found):
    ax = plot_power(found)
    names = [label.get_text() for label in ax.get_yticklabels()]
    machines = [m.name for m in found.layout.machines]
    assert names == ["engine", *machines, "battery", "friction brakes"]
    engine = ax.patches[0].get_data()
    assert engine.values - engine.baseline == pytest.approx(np.asarray(found.trace.columns["engine_power_kW"]))
    steps = [patch.get_data().values for patch in ax.patches]
    assert all(upper.min() >= lower.max() for upper, lower in itertools.pairwise(steps))   # no lane overlaps another


def test_charge_shows_its_window(found):
    ax, battery = plot_charge(found), found.layout.battery
    assert [line.get_ydata()[0] for line in ax.lines if len(set(line.get_ydata())) == 1][:2] == [battery.soc_low, battery.soc_high]
    assert sum(patch.get_hatch() is not None for patch in ax.patches) == 2                  # beyond the limits
    assert ax.get_ylim()[0] < battery.soc_low and ax.get_ylim()[1] > battery.soc_high


LABELS = [*MODES, *(f"{family}, gear {n}" for family in IN_GEARS for n in (1, 2, 3, 4))]


def grey(colour):
    red, green, blue = (int(colour[i:i + 2], 16) for i in (1, 3, 5))
    return 0.299 * red + 0.587 * green + 0.114 * blue


def test_two_modes_look_different_on_grey_paper_by_shade_or_hatch():
    for a, b in itertools.combinations(LABELS, 2):
        one, other = mode_style(a), mode_style(b)
        assert one.hatch != other.hatch or abs(grey(one.colour) - grey(other.colour)) > 12, (a, b)


def test_every_label_of_the_closed_list_has_a_style():
    closed = {value for name, value in vars(modes).items() if name.isupper() and isinstance(value, str)}
    assert closed == set(MODES) | set(IN_GEARS)
    assert mode_style("unheard of") == UNKNOWN


def test_saved_as_png(found, tmp_path):
    save_figure(found, tmp_path / "f.png")
    assert (tmp_path / "f.png").read_bytes().startswith(b"\x89PNG")


def test_importing_the_figures_imports_no_matplotlib():
    script = "import sys, ems.present.figures; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
