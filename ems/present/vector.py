"""A figure of matplotlib as SVG within a page: its words are words, and its lines follow the page's light or dark scheme."""

from __future__ import annotations

import io
import re
from html import escape
from typing import TYPE_CHECKING

from ems.present.palette import INK, QUIET

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FOLLOWS = {INK: "var(--ink)", QUIET: "var(--area)", "#000000": "var(--ink)"}      # colour of matplotlib -> of the page


def vector(ax: Axes, words: str, prefix: str, form: str = "") -> str:
    """The figure of some axes as an SVG element.

    words : said by a screen reader      prefix : of all its ids, so that a page can hold several      form : one more class
    """
    from matplotlib import rc_context

    buffer = io.StringIO()
    with rc_context({"svg.fonttype": "none", "svg.hashsalt": prefix}):
        ax.figure.savefig(buffer, format="svg", transparent=True,    # type: ignore[union-attr]
                          metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    svg = re.sub(r"<metadata>.*?</metadata>", "", buffer.getvalue(), flags=re.S)
    box = re.search(r'viewBox="[^"]*"', svg)
    content = svg[svg.index(">", svg.index("<svg")) + 1:svg.rindex("</svg>")]
    content = re.sub(r'\bid="', f'id="{prefix}', content)
    content = re.sub(r'(url\(#|xlink:href="#)', rf"\g<1>{prefix}", content)
    for colour, variable in FOLLOWS.items():
        content = content.replace(f": {colour}", f": {variable}")
    title = f"<title>{escape(words, quote=False)}</title>"
    return f'<svg class="plot {form}" role="img" {box.group() if box else ""}>{title}{content}</svg>'
