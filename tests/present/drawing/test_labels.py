"""Words of a drawing in little room: larger, and still neither over one another nor over the edge."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET

import pytest

from ems.layout.listing import layout_rows
from ems.layout.load import load_layout
from ems.present.drawing.labels import LITTLE, READABLE, Label, large_sizes
from ems.present.drawing.stick import draw

SHIPPED = [row["name"] for row in layout_rows() if not row["name"].endswith("chargeable")]       # those are drawn like their kin


@pytest.fixture
def own_cache():
    """Placements of other tests serve here: what is tested is what is written over them."""


@pytest.mark.parametrize("name", SHIPPED)
def test_words_of_shipped_layouts_in_little_room(name):
    root = ET.fromstring(draw(load_layout(name)))
    width, height = (float(v) for v in root.attrib["viewBox"].split()[2:])
    words = [e for e in root.iter() if e.tag.endswith("text") and "label" in e.attrib["class"]]
    sizes = [float(found.group(1)) for e in words if (found := re.search(r"--large:([\d.]+)px", e.attrib.get("style", "")))]
    if "dense" not in root.attrib["class"]:
        assert not sizes and width * 1.0 <= 1.16 * LITTLE * 11.0 / READABLE
        return
    assert len(sizes) == len(words) and min(sizes) >= 11.0 and max(sizes) > 12.5
    boxes = [Label(float(e.attrib["x"]), float(e.attrib["y"]), e.text, anchor=e.attrib["text-anchor"]).box(size)
             for e, size in zip(words, sizes, strict=True)]
    assert all(b[0] > -0.2 and b[1] > -0.2 and b[2] < width + 0.2 and b[3] < height + 0.2 for b in boxes)
    wheels = [tuple(float(e.attrib[k]) for k in ("x", "y", "width", "height")) for e in root.iter() if e.attrib.get("class") == "wheel"]
    assert wheels
    for word, size, b in zip(words, sizes, boxes, strict=True):
        for x, y, w, h in wheels if size > 11.0 else ():
            assert b[2] < x + 0.2 or x + w < b[0] + 0.2 or b[3] < y + 0.2 or y + h < b[1] + 0.2, (name, word.text, x)
    for a, b in itertools.combinations(boxes, 2):
        assert a[2] < b[0] or b[2] < a[0] or a[3] < b[1] or b[3] < a[1], (name, a, b)


def test_a_word_stops_growing_where_it_meets_another_its_box_or_the_edge():
    free, near, other, boxed, edge, small = (
        Label(100, 50, "free"), Label(100, 200, "near"), Label(130, 200, "other"), Label(400, 300, "engine", room=58.0),
        Label(700, 400, "at the edge", anchor="start"), Label(100, 400, "106 kW", "small"))
    sizes = large_sizes([free, near, other, boxed, edge, small], 760.0, 450.0)
    wanted = READABLE * 760.0 / LITTLE
    assert sizes[0] == pytest.approx(wanted) and sizes[5] is None
    assert all(11.0 <= size < wanted for size in sizes[1:5])
    assert large_sizes([free], 350.0, 450.0) == [None]                  # shown nearly as it is: nothing to be done
