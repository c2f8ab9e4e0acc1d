"""Placing: nothing overlaps that must not, for shipped, awkward and random layouts; the same drawing every time."""

from __future__ import annotations

import itertools
import os
import random
import xml.etree.ElementTree as ET
from decimal import Decimal
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ems.configurations import derive
from ems.errors import InputError
from ems.layout.listing import layout_rows
from ems.layout.load import layout_from, load_layout
from ems.layout.model import DrawingOrder
from ems.present.drawing.axes import What, shaft_of, skeleton
from ems.present.drawing.flow import _through_drums, along_shafts, configuration_overlay
from ems.present.drawing.geometry import Geometry
from ems.present.drawing.placement import Placement
from ems.present.drawing.placing import place
from ems.present.drawing.sizes import SPACE
from ems.present.drawing.stick import draw, drawing
from ems.present.drawing.stored import placed

SHIPPED = [row["name"] for row in layout_rows()]
EXAMPLES = 150 if os.environ.get("EMS_LONG") == "1" else 10
RATIOS = [Decimal(text) for text in ("0.5", "2", "3.5", "-1.5", "8")]
BASE = {"vehicle": "hill-taxi", "battery": "hybrid-1k5", "engine": {"shaft": "crank", "map": "dedicated-1500"}}


def raw(draw: random.Random) -> dict:
    """A raw layout of every kind of element, most of them absurd."""
    shafts = ["crank", "r1", "r2", "diff", *(f"s{i}" for i in range(draw.randint(0, 4)))]

    def some(count: int):
        return draw.sample(shafts, count)

    gears = {f"g{i}": dict(zip(("from", "to"), some(2), strict=True), ratio=draw.choice(RATIOS)) for i in range(draw.randint(1, 4))}
    sets = {f"p{i}": dict(zip(("sun", "ring", "carrier"), some(3), strict=True), ratio=draw.choice([Decimal("2.5"), Decimal("-2.2")]))
            for i in range(draw.randint(0, 2))}
    shifters = {}
    for i in range(draw.randint(0, 1)):
        hub, *targets = some(draw.randint(2, 4))
        shifters[f"S{i}"] = {"hub": hub, "positions": {f"to-{t}": t for t in targets}}
    return BASE | {
        "name": "drawn at random", "axles": {"front": {"shaft": "diff"}},
        "machines": {"mg1": {"shaft": "r1", "map": "machine-75"}, "second-machine": {"shaft": "r2", "map": "machine-120"}},
        "gears": gears, "planetary_sets": sets, "shifters": shifters,
        "clutches": {f"K{i}": {"joins": some(2)} for i in range(draw.randint(0, 3))},
        "brakes": {f"B{i}": {"holds": draw.choice(shafts)} for i in range(draw.randint(0, 2))},
    }


def random_layout(seed: int):
    """The first layout from this seed on that is accepted."""
    draw = random.Random(seed)
    while True:
        try:
            return layout_from(raw(draw), name="drawn", where="drawn")
        except InputError:
            continue


def naive_faults(p: Placement) -> list[str]:
    """Illegal overlaps, looked for in the most obvious way and by code that shares nothing with the search."""
    made, found = p.skeleton, []
    intervals: dict[str, list[float]] = {}
    joined_over: dict[str, list[tuple[float, float]]] = {}
    for item, x, turn in zip(made.items, p.x, range(len(p.x)), strict=True):
        places: dict[str, list[float]] = {}
        for role, offset in p.shape(turn).ports:
            places.setdefault(role, []).append(x + offset)
        for role, at in places.items():
            piece = dict(item.ports)[role]
            intervals.setdefault(piece, []).extend(at)
            if len(at) == 2:
                joined_over.setdefault(piece, []).append((min(at), max(at)))

    def taken(piece: str, at: float) -> bool:
        return min(intervals[piece]) <= at <= max(intervals[piece]) and not any(
            a < at < b for a, b in joined_over.get(piece, []))

    for axis in made.axes:
        for a, b in itertools.combinations(axis, 2):
            if any(taken(b, x) for x in intervals[a]) and any(taken(a, x) for x in intervals[b]):
                found.append(f"{a} and {b} have ports inside each other")
    number = made.axis_of()
    for i, j in itertools.combinations(range(len(made.items)), 2):
        one, two = made.items[i], made.items[j]
        rows = [{p.rows[number[piece]] for _, piece in item.ports} for item in (one, two)]
        left, right = (i, j) if p.x[i] <= p.x[j] else (j, i)
        gap = p.x[right] - p.shape(right).left - p.x[left] - p.shape(left).right
        if rows[0] & rows[1] and gap < SPACE - 1e-6:
            found.append(f"{one.key} and {two.key} are {gap:.1f} apart")
    return found


@pytest.mark.parametrize("name", SHIPPED)
def test_shipped_layouts_are_drawn_in_one_piece_and_legibly(name, faults_of):
    layout = load_layout(name)
    placement = place(skeleton(layout))
    assert naive_faults(placement) == []
    assert placement.skeleton.cuts == ()
    assert faults_of(drawing(Geometry(placement), layout)) == []


@settings(max_examples=EXAMPLES, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(seed=st.integers(0, 10**6))
def test_random_layouts(faults_of, seed):
    layout = random_layout(seed)
    placement = place(skeleton(layout))
    assert naive_faults(placement) == []
    assert faults_of(drawing(Geometry(placement), layout)) == []


def test_every_element_and_shaft_is_there():
    layout = load_layout("three-clutch")
    root = ET.fromstring(draw(layout))
    parts = {e.attrib["data-part"] for e in root.iter() if "data-part" in e.attrib}
    assert parts == {"engine:engine", "axle:front", *(f"machine:{m.name}" for m in layout.machines),
                     *(f"gear:{g.name}" for g in layout.gears), *(f"clutch:{c.name}" for c in layout.clutches),
                     *(f"shifter:{s.name}" for s in layout.shifters), *(f"shaft:{s}" for s in layout.shafts)}
    ids = [e.attrib["id"] for e in root.iter() if "id" in e.attrib]
    assert len(ids) == len(set(ids))


def test_the_same_drawing_every_time_cached_or_not(tmp_path, monkeypatch):
    layout = load_layout("input-split")
    first = draw(layout)
    assert draw(layout) == first
    found = [placed(layout) for _ in range(2)]
    assert drawing(Geometry(found[0]), layout) == drawing(Geometry(found[1]), layout) == first
    (file,) = (tmp_path / "cache" / "drawings").iterdir()
    file.write_text('{"changes": [["gear:none", "from"]]}', encoding="utf-8")       # spoilt: placed anew
    assert placed(layout) == found[0]
    monkeypatch.setenv("EMS_CACHE_DIR", "/dev/null/nowhere")
    assert placed(layout) == found[0]


def test_a_told_port_survives_the_cache():
    layout = layout_from(TANGLED, name="tangled", where="tangled")
    found = [placed(layout) for _ in range(2)]
    assert found[0].skeleton.cuts and found[0] == found[1]


def test_an_order_of_the_users_overrides():
    made = skeleton(load_layout("series"))
    placement = place(made, DrawingOrder(rows=("diff", "rotor-2", "rotor-1", "crank"), items=("step-up", "engine")))
    number = made.axis_of()
    assert [placement.rows[number[s]] for s in ("diff", "rotor-2", "rotor-1", "crank")] == [0, 1, 2, 3]
    x = {item.key: at for item, at in zip(made.items, placement.x, strict=True)}
    assert x["gear:step-up"] < x["engine:engine"]
    assert naive_faults(placement) == []


def test_the_layout_file_can_give_the_order():
    data = {"drawing.rows": '["diff", "rotor-2", "rotor-1", "crank"]', "drawing.items": '["gears.step-up", "engine"]'}
    plain = load_layout("series")
    ordered = load_layout("series", overrides=[f"{key}={value}" for key, value in data.items()])
    assert ordered.digest == plain.digest                    # a drawing is no result
    first, second = placed(plain), placed(ordered)
    number = second.skeleton.axis_of()
    assert second.rows[number["diff"]] == 0 and first.rows[number["diff"]] > 0
    x = {item.key: at for item, at in zip(second.skeleton.items, second.x, strict=True)}
    assert x["gear:step-up"] < x["engine:engine"]


@pytest.mark.parametrize("name", ["parallel-six", "plain-car"])
def test_gears_of_a_dog_shifter_stand_in_the_order_of_its_positions(name):
    found = placed(load_layout(name))
    at = {item.name: x for item, x in zip(found.skeleton.items, found.x, strict=True) if item.what is What.GEAR}
    gears = ["first", "second", "third", "fourth", "fifth", "sixth"]
    assert sorted(gears, key=at.__getitem__) == gears


def test_an_order_that_names_nothing_is_told():
    with pytest.raises(InputError) as caught:
        load_layout("series", overrides=['drawing.rows=["dif", "crank", "crank"]', 'drawing.items=["step-upp"]'])
    told = {m.key: (m.found, m.nearest) for m in caught.value.mistakes}
    assert told == {"drawing.rows.1": ("'dif'", "diff"), "drawing.rows.3": ("'crank' a second time", None),
                    "drawing.items.1": ("'step-upp'", "step-up")}


TANGLED = BASE | {
    "name": "<script>alert(1)</script> & more", "axles": {"front": {"shaft": "diff"}},
    "machines": {"mg1": {"shaft": "a", "map": "machine-75"}, "mg2": {"shaft": "b", "map": "machine-120"}},
    "planetary_sets": {"p": {"sun": "a", "ring": "b", "carrier": "crank", "ratio": Decimal("2.5")},
                       "q": {"sun": "b", "ring": "crank", "carrier": "a", "ratio": Decimal("2.1")},
                       "r": {"sun": "crank", "ring": "a", "carrier": "out", "ratio": Decimal("1.9")}},
    "gears": {"final": {"from": "out", "to": "diff", "ratio": Decimal("3.5")}},
}


# A set with long and short pinions, as two that share ring and carrier; two clutches lead from one shaft to both suns.
FOUR_SPEEDS = BASE | {
    "name": "long and short pinions", "axles": {"rear": {"shaft": "diff"}}, "machines": {"mg1": {"shaft": "in", "map": "machine-75"}},
    "clutches": {"K0": {"joins": ["crank", "in"]}, "C1": {"joins": ["in", "s1"]}, "C2": {"joins": ["in", "s2"]},
                 "C3": {"joins": ["in", "car"]}},
    "brakes": {"B1": {"holds": "s2"}, "B2": {"holds": "car"}},
    "planetary_sets": {"p1": {"sun": "s1", "ring": "out", "carrier": "car", "ratio": Decimal("-2.2")},
                       "p2": {"sun": "s2", "ring": "out", "carrier": "car", "ratio": Decimal("2.6")}},
    "gears": {"final": {"from": "out", "to": "diff", "ratio": Decimal("3.5")}},
}


def test_a_drum_leads_a_shaft_back_over_a_clutch(faults_of):
    layout = layout_from(FOUR_SPEEDS, name="four", where="four")
    placement = placed(layout)
    drums = [item for item in placement.skeleton.items if item.drum is not None]
    assert placement.skeleton.cuts == () and len(drums) == 1 and naive_faults(placement) == []
    g = Geometry(placement)
    assert faults_of(drawing(g, layout)) == []
    assert placed(layout) == placement                                    # from the cache
    found = derive(layout).configurations
    clutches = [i for i in placement.skeleton.items if i.what is What.CLUTCH and i is not drums[0]]
    beyond = next(i for i in clutches if drums[0].drum in dict(i.ports).values())
    for c in found:                                                       # torque takes the drum where the clutch beyond it carries some
        carried = configuration_overlay(g, layout, c).can
        assert (f"drum:{drums[0].name}" in carried) == (f"clutch:{beyond.name}" in carried), c.id
    assert any(f"drum:{drums[0].name}" in configuration_overlay(g, layout, c).can for c in found)
    role = next(role for role, piece in beyond.ports if piece == drums[0].drum)
    passed = along_shafts(g, {("clutch:K0", "second"): np.array([5.0]), (beyond.key, role): np.array([-5.0])}, {"in": np.zeros(1)})
    whole = {key: float(power[0]) for key, power in passed.items() if key.startswith(("shaft:in:", "drum:"))}
    assert whole == {"shaft:in:0": 5.0, "shaft:in:1": 5.0, "shaft:in:2": 5.0, f"drum:{drums[0].name}": 5.0}


def planetary(sun, ring, carrier, ratio):
    return {"sun": sun, "ring": ring, "carrier": carrier, "ratio": Decimal(ratio)}


# The usual arrangements of gearbox textbooks, with a machine at the input; common practice, no source.
BOOKS = {
    "two sets, one sun": {
        "planetary_sets": {"one": planetary("sun", "r1", "out", "2.5"), "two": planetary("sun", "out", "c2", "2.5")},
        "clutches": {"K0": {"joins": ["crank", "in"]}, "C1": {"joins": ["in", "r1"]}, "C2": {"joins": ["in", "sun"]}},
        "brakes": {"B1": {"holds": "sun"}, "B2": {"holds": "c2"}}},
    "two sets, one carrier and ring": {
        "planetary_sets": {"large": planetary("s1", "out", "car", "2.2"), "small": planetary("s2", "out", "car", "-2.9")},
        "clutches": {"K0": {"joins": ["crank", "in"]}, "A": {"joins": ["in", "s2"]}, "B": {"joins": ["in", "s1"]},
                     "E": {"joins": ["in", "car"]}},
        "brakes": {"C": {"holds": "s1"}, "D": {"holds": "car"}}},
    "ring locked to its carrier": {
        "planetary_sets": {"p": planetary("in", "ring", "out", "2.5")},
        "clutches": {"K0": {"joins": ["crank", "ring"]}, "K": {"joins": ["ring", "out"]}}, "brakes": {"B": {"holds": "in"}}},
}


@pytest.mark.parametrize("name", BOOKS)
def test_gearboxes_of_the_textbooks_need_no_words(name, faults_of):
    raw = BASE | {"name": name, "axles": {"rear": {"shaft": "diff"}}, "machines": {"mg1": {"shaft": "in", "map": "machine-75"}},
                  "gears": {"final": {"from": "out", "to": "diff", "ratio": Decimal("3.5")}}} | BOOKS[name]
    layout = layout_from(raw, name="book", where="book")
    placement = place(skeleton(layout))
    assert placement.skeleton.cuts == () and naive_faults(placement) == []
    g = Geometry(placement)
    assert faults_of(drawing(g, layout)) == []
    for drum in [item for item in placement.skeleton.items if item.drum is not None]:     # torque takes it where it is carried beyond
        beyond = next(i for i in placement.skeleton.items if i is not drum and drum.drum in dict(i.ports).values())
        for c in derive(layout).configurations:
            carried = configuration_overlay(g, layout, c).can
            assert beyond.what is not What.CLUTCH or (f"drum:{drum.name}" in carried) == (f"clutch:{beyond.name}" in carried), c.id


def test_drums_hand_on_what_lies_beyond_several():
    """A drum over a drum: 5 W into a shaft, 3 W taken beyond the first drum, 2 W beyond the second."""
    raw = BASE | {"name": "chain", "axles": {"rear": {"shaft": "diff"}}, "machines": {"mg1": {"shaft": "in", "map": "machine-75"}},
                  "gears": {"final": {"from": "out", "to": "diff", "ratio": Decimal("3.5")}}} | BOOKS["two sets, one carrier and ring"]
    made = skeleton(layout_from(raw, name="chain", where="chain"))
    made = made.drummed("clutch:B", "first", "clutch:A")
    assert ("clutch:E", "first", "clutch:B") in made.drums()
    made = made.drummed("clutch:E", "first", "clutch:B")

    ports = {piece: [(0.0, item.key, role) for item in made.items for role, p in item.ports if p == piece] for piece in made.pieces}
    taken = {("clutch:B", "first"): np.array([-3.0]), ("clutch:E", "first"): np.array([-2.0])}
    found = _through_drums(SimpleNamespace(made=made, ports=ports), taken)
    assert {key: float(power[0]) for key, power in found.items()} == {
        ("clutch:A", "first"): -5.0, ("clutch:A", "drum"): 5.0, ("clutch:B", "first"): -5.0, ("clutch:B", "drum"): 2.0}


def test_what_cannot_be_drawn_is_told_in_words(faults_of):
    layout = layout_from(TANGLED, name="tangled", where="tangled")
    placement = place(skeleton(layout))
    svg = drawing(Geometry(placement), layout)
    assert placement.skeleton.cuts and naive_faults(placement) == [] and faults_of(svg) == []
    told = [(role, shaft) for item in placement.skeleton.items for role, shaft in item.apart]
    words = [e.text for e in ET.fromstring(svg).iter() if e.tag.endswith("text")]
    assert told and all(f"{role}: {shaft}" in words for role, shaft in told)
    assert all(f"shaft {shaft}" in words for _, shaft in told)
    assert "Not drawn in one piece" in svg


def test_a_gear_pair_on_one_axis_gets_two_equal_labels(faults_of):
    layout = layout_from(BASE | {
        "name": "loop", "axles": {"rear": {"shaft": "out"}}, "clutches": {"K": {"joins": ["crank", "out"]}},
        "gears": {"over": {"from": "crank", "to": "out", "ratio": Decimal("1.5")}}}, name="loop", where="loop")
    placement = place(skeleton(layout))
    tags = [item for item in placement.skeleton.items if item.what is What.TAG]
    assert len(tags) == 2 and len({shaft_of(item.name) for item in tags}) == 1
    assert naive_faults(placement) == [] and faults_of(drawing(Geometry(placement), layout)) == []


def test_markup_in_a_name_appears_as_text():
    svg = draw(layout_from(TANGLED, name="tangled", where="tangled"))
    root = ET.fromstring(svg)
    assert "<script" not in svg and not [e for e in root.iter() if e.tag.endswith("script")]
    assert next(e for e in root if e.tag.endswith("title")).text == "<script>alert(1)</script> & more"
