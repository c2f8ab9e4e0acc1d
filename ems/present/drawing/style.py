"""Colours and lines of a drawing, light and dark, as a style sheet that reaches nothing but drawings."""

from __future__ import annotations

from ems.present.drawing.sizes import LABEL, SMALL
from ems.present.palette import BATTERY, ENGINE

FONT = "system-ui, 'Segoe UI', 'Liberation Sans', Arial, sans-serif"

NARROW = "480px"         # width of the box of a drawing below which its words grow

LIGHT = {"ink": "#222a33", "quiet": "#9aa3ad", "text": "#222a33", "small": "#55606c", "paper": "#ffffff", "body": "#f1f3f5",
         "wheel": "#dfe4e9", "engine": "#fbe7d9", "machine": "#dbeaf5", "battery": "#d9f0e7", "closed": "#222a33",
         "mechanical": "#3f7fb5", "electrical": BATTERY, "fuel": ENGINE, "loss": "#8a8f96", "heads": "#1d5180",
         "electrical-heads": "#006b4e", "fuel-heads": "#9c4400", "tyre": "#3a434d"}
DARK = {"ink": "#dfe5ea", "quiet": "#68727c", "text": "#e8edf2", "small": "#aab4be", "paper": "#15191e", "body": "#232a31",
        "wheel": "#39434d", "engine": "#4d2f1b", "machine": "#1d3b53", "battery": "#17443a", "closed": "#dfe5ea",
        "mechanical": "#5aa0d8", "electrical": "#2fbf95", "fuel": "#f08a3c", "loss": "#8f969e", "heads": "#a9d3f5",
        "electrical-heads": "#9fe8d0", "fuel-heads": "#ffc79b", "tyre": "#b9c2cb"}

RULES = (
    ("text", f"font-family:{FONT};font-size:{LABEL:g}px;fill:@text"),
    (".small", f"font-size:{SMALL:g}px;fill:@small"),
    (".label", "stroke:@paper;stroke-width:0"),
    (".paper", "fill:@paper;stroke:none"),
    (".halo", "fill:none;stroke:@paper;stroke-width:8"),
    (".shaft", "fill:none;stroke:@ink;stroke-width:3;stroke-linecap:round"),
    (".wall", "fill:none;stroke:@ink;stroke-width:1.6"),
    (".line", "fill:none;stroke:@ink;stroke-width:1.6"),
    (".thin", "fill:none;stroke:@ink;stroke-width:1"),
    (".apart", "fill:none;stroke:@ink;stroke-width:1.2;stroke-dasharray:5 3"),
    (".wheel", "fill:@wheel;stroke:@ink;stroke-width:1.3"),
    (".body", "fill:@body;stroke:@ink;stroke-width:1.3"),
    (".engine", "fill:@engine;stroke:@ink;stroke-width:1.5"),
    (".stator", "fill:@machine;stroke:@ink;stroke-width:1.3"),
    (".rotor", "fill:@paper;stroke:@ink;stroke-width:1.3"),
    (".battery", "fill:@battery;stroke:@ink;stroke-width:1.5"),
    (".tyre", "fill:@tyre;stroke:none"),
    (".wire", "fill:none;stroke:@electrical;stroke-width:1.2;stroke-dasharray:4 2"),
    (".pad", "fill:@paper;stroke:@ink;stroke-width:1.4"),
    (".sleeve", "fill:@paper;stroke:@ink;stroke-width:1.4"),
    (".tag", "fill:@paper;stroke:@ink;stroke-width:1.2;stroke-dasharray:3 2"),
    ("[data-state=closed] .pad, [data-position=left] .sleeve, [data-position=right] .sleeve", "fill:@closed"),
    ("[data-position=left] .sleeves", "transform:translateX(-8px)"),
    ("[data-position=right] .sleeves", "transform:translateX(8px)"),
    ("[data-state=closed] .left", "transform:translateX(2.5px)"),
    ("[data-state=closed] .right", "transform:translateX(-2.5px)"),
    ("[data-turns=no] .shaft, [data-turns=no] .wall, [data-turns=no] .line, [data-turns=no] .wheel", "stroke:@quiet"),
    ("[data-turns=no] .shaft", "stroke-width:2"),
    (".flow path", "fill:none;stroke-linejoin:round"),
    (".flow[data-direction=none]", "display:none"),
    (".mechanical .band", "stroke:@mechanical"),
    (".electrical .band", "stroke:@electrical;stroke-dasharray:7 3"),
    (".fuel .band", "stroke:@fuel;stroke-dasharray:2 2"),
    (".loss .band", "stroke:@loss;stroke-dasharray:1.5 2"),
    (".heads", "stroke:none"),
    (".head", "fill:@heads"),
    (".electrical-head", "fill:@electrical-heads"),
    (".fuel-head", "fill:@fuel-heads"),
    (".loss-head", "fill:@loss"),
    (".can .band", "stroke-opacity:.6"),
)

LITTLE_ROOM = (
    (".label", f"font-size:var(--large,{LABEL:g}px)"),
    (".label:not(.boxed)", "paint-order:stroke;stroke-width:4px;stroke-linejoin:round"),
    (".small", "display:none"),
)
"""Of dense drawings in a narrow box: what is large enough to be read there (``labels``), over what lies behind it."""


def style_sheet(root: str = ".ems-drawing") -> str:
    """CSS for every drawing on a page: dark where the reader's system is or ``data-theme`` says so, light on paper.

    A box with ``container-type: inline-size`` tells a drawing that it is narrow.
    """
    light = "".join(_rule(root, selector, body, LIGHT) for selector, body in RULES)
    coloured = [(s, ";".join(p for p in body.split(";") if "@" in p)) for s, body in RULES if "@" in body]
    system = "".join(_rule(f":root:not([data-theme=light]) {root}, {root}:root", s, b, DARK) for s, b in coloured)
    chosen = "".join(_rule(f"[data-theme=dark] {root}", s, b, DARK) for s, b in coloured)
    little = "".join(_rule(f"{root}.dense", selector, body, {}) for selector, body in LITTLE_ROOM)
    return (f"{light}@container (max-width:{NARROW}){{{little}}}@media screen{{{chosen}}}@media screen and "
            f"(prefers-color-scheme:dark){{{system}}}")


def _rule(roots: str, selectors: str, body: str, colours: dict[str, str]) -> str:
    for name in sorted(colours, key=len, reverse=True):
        body = body.replace(f"@{name}", colours[name])
    where = ",".join(f"{root.strip()} {selector.strip()}" for root in roots.split(",") for selector in selectors.split(","))
    return f"{where}{{{body}}}"
