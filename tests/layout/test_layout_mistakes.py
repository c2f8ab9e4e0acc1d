"""Every mistake in a layout file is told with key, value found, what was expected, and the nearest name."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest

from ems.errors import InputError, Mistake
from ems.layout.load import load_layout


def mistakes_of(name: str) -> tuple[Mistake, ...]:
    with pytest.raises(InputError) as caught:
        load_layout(name)
    return caught.value.mistakes


def test_the_unspoilt_file_reads(written, right):
    layout = load_layout(written(right))
    assert layout.gears[0].ratio == Fraction(9, 20)
    assert (layout.gears[0].efficiency, layout.gears[1].efficiency) == (0.985, 0.99)
    assert layout.clutches[0].hold_W == 30.0
    assert (layout.name, layout.title) == ("mine", "One clutch")


# (what to replace, by what, key, found, expected, nearest)
SPOILT = [
    # one value
    ("ratio = 0.45", "ratio = 0", "gears.step-up.ratio", "0", "0.005 to 200 in size", None),
    ("ratio = 0.45", "ratio = nan", "gears.step-up.ratio", "NaN|nan", "a number, or a quotient", None),
    ("ratio = 0.45", "ratio = inf", "gears.step-up.ratio", "Inf|inf", "a number, or a quotient", None),
    ("ratio = 0.45", "ratio = -0.001", "gears.step-up.ratio", "-0.001", "0.005 to 200 in size", None),
    ("ratio = 0.45", 'ratio = "1/0"', "gears.step-up.ratio", "'1/0'", "a number, or a quotient", None),
    ("ratio = 0.45", "ratio = true", "gears.step-up.ratio", "true", "a number, or a quotient", None),
    ("ratio = 0.45", "ratio = 1e9", "gears.step-up.ratio", r"1E\+9|1e\+09|1000000000", "0.005 to 200", None),
    ("ratio = 0.45", "teeth = [4, 20]", "gears.step-up.teeth.1", "4", "a whole number of at least 5", None),
    ("ratio = 0.45", "teeth = [20.5, 20]", "gears.step-up.teeth.1", "20.5", "a whole number of at least 5", None),
    ("ratio = 0.45", "ratio = 2, teeth = [20, 40]", "gears.step-up", "a table .from, to, ratio, teeth",
     "ratio or teeth, not both", None),
    (", ratio = 0.45", "", "gears.step-up", "a table .from, to", "one of ratio and teeth", None),
    ("efficiency = 0.99", "efficiency = 0", "gears.drive.efficiency", "0", "greater than 0", None),
    ("efficiency = 0.99", "efficiency = -0.99", "gears.drive.efficiency", "-0.99", "greater than 0", None),
    ("efficiency = 0.99", "efficiency = 1.01", "gears.drive.efficiency", "1.01", "less than or equal to 1", None),
    ("efficiency = 0.99", "efficiency = nan", "gears.drive.efficiency", "nan", "a finite number", None),
    ("efficiency = 0.99", 'efficiency = "high"', "gears.drive.efficiency", "'high'", "a number", None),
    ("hold_W = 30", "hold_W = -1", "clutches.K1.hold_W", "-1", "greater than or equal to 0", None),
    ('map = "machine-75"', 'map = "machine-75", rating_kW = -70', "machines.mg1.rating_kW", "-70", "greater than 0",
     None),
    ('"lay", to', '"my lay", to', "gears.cruise.from", "'my lay'", "letters, digits", None),
    # keys
    ("efficiency =", "eficiency =", "gears.drive.eficiency", "not known", "one of from, to, ratio", "efficiency"),
    ("gears.drive", "gearz.drive", "gearz", "not known", "one of name, summary", "gears"),
    ('vehicle = "hill-taxi"\n', "", "vehicle", "nothing", "vehicle: short name", None),
    ('axles.front.shaft = "diff"\n', "", "axles", "nothing", "driven axles", None),
    ('axles.front.shaft = "diff"\n', "axles = {}\n", "axles", "a table", "at least one", None),
    # names
    ('started_by = "mg1"', 'started_by = "mg11"', "engine.started_by", "'mg11'", "one of the machines: mg1", "mg1"),
    ('vehicle = "hill-taxi"', 'vehicle = "hil-taxi"', "vehicle", "'hil-taxi'", "a shipped vehicle", "hill-taxi"),
    ('"machine-75"', '"machine-57"', "machines.mg1.map", "'machine-57'", "a shipped machine", "machine-75"),
    ('"dedicated-1500"', '"mine/engine.toml"', "engine.map", "'mine/engine.toml'", "an existing engine file", None),
    ("clutches.K1", 'brakes.k1.holds = "lay"\nclutches.K1', "clutches.K1", "a name that brakes.k1 has already",
     "a name of its own among clutches", None),
    ("machines.mg2", "machines.Engine", "machines.Engine", "'Engine'", "other than 'engine'", None),
    ("clutches.K1", "shafts.ley.max_rpm = 9000\nclutches.K1", "shafts.ley", "'ley', which no element names", "one of",
     "lay"),
    ("clutches.K1", 'at_most_one = [["K1", "K2"]]\nclutches.K1', "at_most_one.1.2", "'K2'", "one of K1", "K1"),
    ("clutches.K1", 'at_most_one = [["K1", "K1"]]\nclutches.K1', "at_most_one.1.2", "second time", "once in a group",
     None),
    ("clutches.K1", 'shifters.S1 = { hub = "lay", positions = { neutral = "diff" } }\nclutches.K1', "shifters.S1",
     "a table", "positions other than 'neutral'", None),
    # elements
    ("hold_W = 30", "capacity_Nm = 0", "clutches.K1.capacity_Nm", "0", "greater than 0", None),
    ("hold_W = 30", "max_slip_rpm = -5", "clutches.K1.max_slip_rpm", "-5", "greater than 0", None),
    ("hold_W = 30", "drag_Nm = -1", "clutches.K1.drag_Nm", "-1", "greater than or equal to 0", None),
    ("hold_W = 30", "engagement_s = 11", "clutches.K1.engagement_s", "11", "less than or equal to 10", None),
    ("hold_W = 30", "mass_kg = -1", "clutches.K1.mass_kg", "-1", "greater than or equal to 0", None),
    ("hold_W = 30", 'slips = "yes"', "clutches.K1.slips", "'yes'", "true or false", None),
    ("hold_W = 30", "slip = true", "clutches.K1.slip", "not known", "one of joins, slips", "slips"),
    ("ratio = 2.9", 'ratio = 2.9, capacity_at = "lay"', "gears.cruise.capacity_at", "'lay'", "one of from, to", None),
    ('started_by = "mg1" }', 'started_by = "mg1", fuel_cut = 1 }', "engine.fuel_cut", "1", "true or false", None),
    ('map = "machine-75"', 'map = "machine-75", drives = 0', "machines.mg1.drives", "0", "true or false", None),
    ("clutches.K1", "pump.engine_stoped_W = 3\nclutches.K1", "pump.engine_stoped_W", "not known",
     "one of engine_stopped_W, engine_running_W", "engine_stopped_W"),
    ("clutches.K1", "masses.reference_kg = -3\nclutches.K1", "masses.reference_kg", "-3", "greater than or equal", None),
    ("clutches.K1", "shafts.lay.drag_Nms_rad = 11\nclutches.K1", "shafts.lay.drag_Nms_rad", "11", "less than or equal",
     None),
    ("clutches.K1", 'one_way.F1 = { from = "ground", to = "Ground" }\nclutches.K1', "one_way.F1", "a table",
     "a shaft on one side", None),
    ("clutches.K1", 'one_way.F1 = { from = "lay" }\nclutches.K1', "one_way.F1.to", "nothing", "may turn faster", None),
    ("clutches.K1", 'one_way.F1 = { from = "lay", to = "lay" }\nclutches.K1', "one_way.F1.to", "second time",
     "different shafts", None),
    ("clutches.K1", 'one_way.k1 = { from = "lay", to = "diff" }\nclutches.K1', "clutches.K1",
     "a name that one_way.k1 has already", "a name of its own", None),
    ("clutches.K1", 'brakes.B1.holds = "ground"\nclutches.K1', "brakes.B1.holds", "'ground'", "means the housing", None),
    ("clutches.K1", 'planetary_sets.p = { sun = "lay", ring = "crank", carrier = "diff", ratio = -2, max_pinion_rpm = 9 }'
     "\nclutches.K1", "planetary_sets.p", "a table", "pinion_ratio beside max_pinion_rpm", None),
    ("clutches.K1", 'forbid = ["on:K2"]\nclutches.K1', "forbid.1", "'on:K2'", "there is no K2", "on:K1"),
    ("clutches.K1", 'forbid = ["K1"]\nclutches.K1', "forbid.1", "'K1'", "off:, on:, cut: and what is engaged", None),
    # joins
    ('joins = ["crank", "lay"]', 'joins = ["lay", "lay"]', "clutches.K1.joins.2", "'lay' a second time", "different",
     None),
    ('joins = ["crank", "lay"]', 'joins = ["crank", "ley"]', "clutches.K1.joins.2", "'ley', which nothing else names",
     "nothing drives it", "lay"),
    ('joins = ["crank", "lay"]', 'joins = ["crank"]', "clutches.K1.joins", "'crank'", "two of them in brackets", None),
    ('mg2 = { shaft = "rotor-2"', 'mg2 = { shaft = "rotor-22"', "machines.mg2.shaft", "'rotor-22'",
     "joins to something", "rotor-2"),
    ('"lay", to = "diff"', '"lay", to = "wheels"', "gears.cruise.to", "'wheels'", "another name", None),
    ("clutches.K1", 'gears.a = { from = "p", to = "q", ratio = 2 }\ngears.b = { from = "q", to = "p", ratio = 2 }\n'
     "clutches.K1", "gears.a", "shafts that nothing drives: p, q", "joined to an engine or a machine", None),
    ("clutches.K1", 'axles.rear.shaft = "p"\ngears.b = { from = "q", to = "p", ratio = 2 }\nbrakes.B.holds = "q"\n'
     "clutches.K1", "axles.rear.shaft", "'p', which no engine or machine reaches", "wheels that a source",
     None),
    ("clutches.K1", 'machines.mg3 = { shaft = "p", map = "machine-75" }\nbrakes.B.holds = "p"\nclutches.K1',
     "machines.mg3.shaft", "'p', from which no wheel is reached", "joined to the wheels", None),
    ("clutches.K1", "\n".join(f'brakes.B{i}.holds = "lay"' for i in range(12)) + "\nclutches.K1", "clutches, brakes",
     "13 clutches and brakes", "at most 12", None),
]


@pytest.mark.parametrize(("old", "new", "key", "found", "expected", "nearest"), SPOILT,
                         ids=[f"{i}-{s[2]}" for i, s in enumerate(SPOILT)])
def test_mistake(written, right, old, new, key, found, expected, nearest):
    assert old in right
    told = [m for m in mistakes_of(written(right.replace(old, new, 1))) if m.key == key]
    assert told, "no mistake told at this key"
    (mistake,) = told
    assert mistake.where == "mine.toml"
    assert re.search(found, mistake.found), mistake.found
    assert expected in mistake.expected
    assert mistake.nearest == nearest


def test_all_at_once_in_file_and_components(written, right):
    text = (right.replace("ratio = 0.45", "ratio = 0").replace('started_by = "mg1"', 'started_by = "mg9"')
            .replace('"hill-taxi"', "{ mass_kg = -1 }").replace("hold_W", "holds_W")
            .replace("machine-120", "machine-12"))
    keys = {m.key for m in mistakes_of(written(text))}
    assert keys >= {"gears.step-up.ratio", "engine.started_by", "vehicle.mass_kg", "vehicle.wheel_radius_m",
                    "clutches.K1.holds_W", "machines.mg2.map"}


def test_one_misspelt_shaft_is_one_mistake(written, right):
    """Reachability is judged only when all shafts are joined: no mistakes that follow from another."""
    told = mistakes_of(written(right.replace('"lay", to', '"ley", to', 1)))
    assert [(m.key, m.nearest) for m in told] == [("gears.cruise.from", "lay"), ("clutches.K1.joins.2", "ley")]


def test_syntax_error_names_the_line(written):
    (mistake,) = mistakes_of(written('name = "x"\nvehicle = = 3\n'))
    assert mistake.key == "line 2" and "vehicle = = 3" in mistake.found


@pytest.mark.parametrize(("content", "found"), [
    (b"", "empty"), (b"\x00\x01\xff\xfe", "byte|binary"), (b"\n \n", "empty")])
def test_no_layout_at_all(tmp_path, content, found):
    path = tmp_path / "mine.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match=found):
        load_layout(str(path))


def test_huge_file_is_refused_unread(tmp_path):
    path = tmp_path / "mine.toml"
    with path.open("wb") as file:
        file.truncate(100_000_000)
    with pytest.raises(InputError, match="100 MB"):
        load_layout(str(path))


def test_unknown_short_name():
    with pytest.raises(InputError, match=r"found 'tree-clutch'; expected a shipped layout.*nearest: three-clutch"):
        load_layout("tree-clutch")
