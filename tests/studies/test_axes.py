"""What is varied: exact decimals, ends included, samples that are what they claim."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from itertools import pairwise

import pytest

from ems.errors import Mistakes
from ems.studies.axes import Axis, axes_of, grid_points, sample_points, toml_text


def axes(text: str, *, divided: bool = True) -> tuple[tuple[Axis, ...], list[str]]:
    mistakes = Mistakes()
    found = axes_of(tomllib.loads(text, parse_float=Decimal), "study.toml", mistakes, divided=divided)
    return found, [str(m) for m in mistakes.found]


def test_ranges_are_exact_decimals_with_both_ends():
    (a, b, c), told = axes('x = { from = 2.9, to = 3.2, steps = 4 }\ny = { from = 1, to = 2, step = 0.3 }\n'
                             'z = { from = 0, to = 1, steps = 4 }')
    assert told == []
    assert [str(v) for v in a.values] == ["2.9", "3", "3.1", "3.2"]
    assert b.values == tuple(map(Decimal, ("1", "1.3", "1.6", "1.9")))
    assert [str(v) for v in c.values] == ["0", "0.333333333333", "0.666666666667", "1"]


def test_quoted_and_nested_paths_are_the_same():
    nested, _ = axes('gears.first.ratio = [2, 3]\nvehicle.mass_kg = [1]')
    quoted, _ = axes('"gears.first.ratio" = [2, 3]\n"vehicle.mass_kg" = [1]')
    assert nested == quoted and [a.path for a in nested] == ["gears.first.ratio", "vehicle.mass_kg"]
    _, told = axes('gears.first.ratio = [2]\n"gears.first.ratio" = [3]')
    assert told == ["study.toml: vary.gears.first.ratio: found the same key twice, quoted and not; expected each key once"]


def test_a_key_called_from_is_no_range():
    (found,), told = axes('gears.first.from = ["odd", "even"]')
    assert (found.path, found.values, told) == ("gears.first.from", ("odd", "even"), [])


@pytest.mark.parametrize("text, said", [
    ("x = []", "an empty list"), ("x = [1, 1]", "1 twice"), ("x = 3", "found 3; expected a list of values"),
    ("x = { from = 2, to = 1, steps = 3 }", "from 2 to 1"), ("x = { from = 1, to = 2 }", "a range without steps"),
    ("x = { from = 1, to = 2, steps = 1 }", "steps = 1"), ("x = { from = 1, to = 2, step = 0 }", "step = 0"),
    ("x = { from = 1, to = 2, steps = 2, step = 1 }", "both steps and step"), ("x = { from = 1, to = 2, stop = 3 }", "the key stop"),
    ("x = { from = 0, to = 9, step = 0.00001 }", "at most 100000 steps"), ('x = "word"', "'word'"),
])
def test_wrong_axes_are_told(text, said):
    found, told = axes(text)
    assert found == () and any(said in line for line in told), told


def test_grid_is_every_combination_last_axis_fastest():
    found, _ = axes("x = [1, 2]\ny = ['a', 'b']")
    assert [tuple(p.values()) for p in grid_points(found)] == [(1, "a"), (1, "b"), (2, "a"), (2, "b")]


@pytest.mark.parametrize("method", ["latin-hypercube", "sobol"])
def test_samples_hit_every_stratum_of_every_axis_once(method):
    # Latin hypercube: McKay, Beckman, Conover, Technometrics 21 (1979) 239, its definition; Sobol: the first 2^m points are a
    # (t, m, s)-net, one in each of the 2^m equal parts of every axis (Sobol, USSR Comput. Math. Math. Phys. 7 (1967) 86)
    found, told = axes("x = { from = 0, to = 16 }\ny = { from = -1, to = 1 }\nz = ['a', 'b']", divided=False)
    assert told == []
    points = list(sample_points(found, method, 16, 7))
    assert sorted(int(p["x"]) for p in points) == list(range(16))
    assert sorted(int((p["y"] + 1) * 8) for p in points) == list(range(16))
    assert sum(p["z"] == "a" for p in points) == 8
    assert points == list(sample_points(found, method, 16, 7)) != list(sample_points(found, method, 16, 8))
    assert all(len(str(p["x"]).replace(".", "").lstrip("0")) <= 6 for p in points)


def test_steps_of_a_sampled_range_are_kept_to():
    found, _ = axes("x = { from = 1, to = 2, step = 0.25 }", divided=False)
    values = {p["x"] for p in sample_points(found, "sobol", 32, 1)}
    assert values == set(found[0].values) and all(b - a == Decimal("0.25") for a, b in pairwise(sorted(values)))


@pytest.mark.parametrize("value", [True, 3, Decimal("0.10"), "wörter \"x\"", [1, "a"],
                                   {"based_on": "hybrid-1k5", "soc_low": Decimal("0.4")}])
def test_toml_text_reads_back(value):
    assert tomllib.loads(f"v = {toml_text(value)}", parse_float=Decimal)["v"] == value
