"""What a page carries with it: its style sheet, and its script, one text of the files in ``files/script``."""

from __future__ import annotations

from importlib.resources import files

from ems.present.drawing.style import style_sheet

SCRIPTS = ("base", "drawing", "numbers", "now", "why", "panels", "speed", "ledger", "power", "charge", "stretch", "maps", "player")


def script() -> str:
    """The scripts one behind the other in a scope of their own; a later one may use what an earlier one holds, and functions of any."""
    return '"use strict";\n(() => {\n' + "\n".join(_text(f"script/{name}.js") for name in SCRIPTS) + "})();\n"


def style() -> str:
    """The page's own style and that of drawings."""
    return _text("report.css") + style_sheet()


def _text(name: str) -> str:
    return files("ems.present.page").joinpath(f"files/{name}").read_text(encoding="utf-8")
