"""What can be seen in a drawing, read back from its SVG alone: boxes of texts, strokes of lines, areas."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass

import pytest

from ems.present.drawing.sizes import LABEL, SMALL, text_width

NAMESPACE = "{http://www.w3.org/2000/svg}"
Box = tuple[float, float, float, float]       # left, top, right, bottom


@dataclass(frozen=True)
class Seen:
    texts: list[tuple[str, Box]]
    strokes: list[tuple[str, Box]]      # class and box of every straight piece of a line
    areas: list[tuple[str, Box]]        # class and box of every rectangle
    size: tuple[float, float]
    root: ET.Element


def seen(svg: str) -> Seen:
    root = ET.fromstring(svg)
    texts, strokes, areas = [], [], []
    flows = {id(e) for g in root.iter(NAMESPACE + "g") if "data-flow" in g.attrib for e in g.iter()}
    for e in root.iter():
        tag, get = e.tag.removeprefix(NAMESPACE), (lambda k, e=e: float(e.attrib[k]))
        if tag == "text":
            size = SMALL if e.attrib["class"] == "small" else LABEL
            width = text_width(e.text or "", size)
            left = get("x") - {"start": 0.0, "middle": width / 2, "end": width}[e.attrib["text-anchor"]]
            texts.append((e.text or "", (left, get("y") - 0.75 * size, left + width, get("y") + 0.2 * size)))
        elif tag == "line":
            strokes.append((e.attrib["class"], _box([(get("x1"), get("y1")), (get("x2"), get("y2"))])))
        elif tag == "path" and id(e) not in flows:
            points = [tuple(map(float, pair)) for pair in re.findall(r"(-?[\d.]+) (-?[\d.]+)", e.attrib["d"])]
            strokes += [(e.attrib["class"], _box([a, b])) for a, b in itertools.pairwise(points)]
        elif tag == "rect":
            areas.append((e.attrib["class"], (get("x"), get("y"), get("x") + get("width"), get("y") + get("height"))))
    width, height = map(float, root.attrib["viewBox"].split()[2:])
    return Seen(texts, strokes, areas, (width, height), root)


def _box(points) -> Box:
    xs, ys = [p[0] for p in points], [p[1] for p in points]
    return min(xs), min(ys), max(xs), max(ys)


def touch(a: Box, b: Box, air: float = 0.0) -> bool:
    return a[0] < b[2] + air and b[0] < a[2] + air and a[1] < b[3] + air and b[1] < a[3] + air


def within(inner: Box, outer: Box) -> bool:
    return outer[0] <= inner[0] and inner[2] <= outer[2] and outer[1] <= inner[1] and inner[3] <= outer[3]


def faults(found: Seen) -> list[str]:
    """Labels that meet another label, a line or the edge of an area, or leave the drawing."""
    out = []
    for n, (word, box) in enumerate(found.texts):
        if not within(box, (0.0, 0.0, *found.size)):
            out.append(f"'{word}' leaves the drawing")
        out += [f"'{word}' meets '{other}'" for other, b in found.texts[n + 1:] if touch(box, b)]
        out += [f"a {kind} crosses '{word}'" for kind, b in found.strokes if kind != "halo" and touch(box, b)]
        out += [f"'{word}' lies on the edge of a {kind}" for kind, b in found.areas
                if kind != "paper" and touch(box, b) and not within(box, b)]
    return out


@pytest.fixture
def faults_of():
    """What is wrong with the labels of an SVG text."""
    return lambda svg: faults(seen(svg))


@pytest.fixture(autouse=True)
def own_cache(tmp_path, monkeypatch):
    """No placement of an earlier run is taken."""
    monkeypatch.setenv("EMS_CACHE_DIR", str(tmp_path / "cache"))
