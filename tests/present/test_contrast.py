"""Words and lines stand out from what lies behind them, light and dark.

Contrast ratio and least ratios: W3C, Web Content Accessibility Guidelines 2.1, definitions of relative luminance and contrast
ratio, success criteria 1.4.3 (text 4.5) and 1.4.11 (lines that carry meaning 3); quoted from memory.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from importlib.resources import files

import pytest

from ems.layout.listing import layout_rows
from ems.layout.load import load_layout
from ems.present.drawing.stick import draw
from ems.present.drawing.style import DARK, LIGHT, RULES

NAMESPACE = "{http://www.w3.org/2000/svg}"
TEXT, LINE = 4.5, 3.0
SCHEMES = {"light": LIGHT, "dark": DARK}


def luminance(colour):
    def linear(part):
        return part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4

    red, green, blue = (linear(int(colour[i:i + 2], 16) / 255) for i in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def ratio(a, b):
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def mixed(over, under, share):
    parts = ((int(over[i:i + 2], 16), int(under[i:i + 2], 16)) for i in (1, 3, 5))
    return "#" + "".join(f"{round(share * a + (1 - share) * b):02x}" for a, b in parts)


def test_ratios_of_known_pairs():
    assert ratio("#000000", "#ffffff") == pytest.approx(21.0)            # the definition's largest
    assert ratio("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)  # the well-known grey that just fails
    assert ratio("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)  # and the one that just passes


def fill_names():
    """Class -> name of its fill in the palette."""
    found = {}
    for selectors, body in RULES:
        name = re.search(r"fill:@([a-z-]+)", body)
        if name and re.fullmatch(r"\.[a-z-]+", selectors):
            found[selectors[1:]] = name.group(1)
    return found


def behind(root):
    """(class of a text, class of the last area that holds its middle) of every text of a drawing."""
    areas, pairs = [], set()
    for e in root.iter():
        if e.tag == f"{NAMESPACE}rect":
            x, y, w, h = (float(e.attrib[k]) for k in ("x", "y", "width", "height"))
            areas.append((e.attrib["class"].split()[0], x, y, x + w, y + h))
        elif e.tag == f"{NAMESPACE}text":
            x, y = float(e.attrib["x"]), float(e.attrib["y"]) - 4.0
            holds = [name for name, left, top, right, bottom in areas if left <= x <= right and top <= y <= bottom]
            pairs.add((e.attrib["class"].split()[0], holds[-1]))
    return pairs


@pytest.mark.parametrize("scheme", SCHEMES)
def test_text_of_every_drawing_on_every_fill(scheme):
    colours, fills = SCHEMES[scheme], fill_names()
    pairs = {pair for row in layout_rows() for pair in behind(ET.fromstring(draw(load_layout(row["name"]))))}
    assert {"paper", "engine", "battery", "stator", "body"} <= {area for _, area in pairs}
    for text, area in pairs:
        found = ratio(colours["small" if text == "small" else "text"], colours[fills[area]])
        assert found >= TEXT, (text, area, found)


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("line", ["ink", "closed", "mechanical", "electrical", "fuel", "heads", "electrical-heads", "fuel-heads", "loss"])
def test_lines_of_a_drawing_on_paper(scheme, line):
    assert ratio(SCHEMES[scheme][line], SCHEMES[scheme]["paper"]) >= LINE


def page_colours():
    """Scheme -> custom properties of the report page."""
    css = files("ems.present.page").joinpath("files/report.css").read_text(encoding="utf-8")
    light, dark = re.findall(r":root(?::not\(\[data-theme=light\]\))? \{ (--ink.*?) \}", css, re.S)
    read = [dict(re.findall(r"--([a-z]+): ([^;]+);", block)) for block in (light, dark)]
    return {"light": read[0], "dark": read[1]}


@pytest.mark.parametrize("scheme", SCHEMES)
def test_words_of_the_page(scheme):
    colours = page_colours()[scheme]
    for word in ("ink", "quiet", "accent"):
        assert ratio(colours[word], colours["paper"]) >= TEXT
        assert ratio(colours[word], colours["wash"]) >= TEXT
    heat = "#" + "".join(f"{int(part):02x}" for part in colours["heat"].split(","))
    assert ratio(colours["ink"], mixed(heat, colours["paper"], 0.45)) >= TEXT        # the strongest shade of a cell
    for line in ("warn", "now", "charge", "accent"):
        assert ratio(colours[line], colours["paper"]) >= LINE
