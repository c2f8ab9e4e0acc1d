"""The few SVG elements a drawing is made of, as text; whatever comes from a user is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

Point = tuple[float, float]


def number(value: float) -> str:
    """A coordinate with at most one decimal: half a tenth of a pixel is seen by nobody."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def element(name: str, content: str = "", **attributes: object) -> str:
    """One element; ``class_`` and ``data_part`` become ``class`` and ``data-part``, None leaves an attribute out."""
    words = "".join(f' {_attribute(k)}="{escape(_text(v), quote=True)}"' for k, v in attributes.items() if v is not None)
    return f"<{name}{words}>{content}</{name}>" if content else f"<{name}{words}/>"


def _attribute(word: str) -> str:
    return word.rstrip("_").replace("_", "-")


def _text(value: object) -> str:
    return number(value) if isinstance(value, float) else str(value)


def group(content: Iterable[str], title: str = "", **attributes: object) -> str:
    """A group of elements; a title is shown when the pointer rests on it, and read by screen readers."""
    named = f"<title>{escape(title)}</title>" if title else ""
    return element("g", named + "".join(content), **attributes)


def line(a: Point, b: Point, class_: str) -> str:
    """A straight line."""
    return element("line", x1=a[0], y1=a[1], x2=b[0], y2=b[1], class_=class_)


def rect(left: float, top: float, right: float, bottom: float, class_: str, rx: float | None = None) -> str:
    """A rectangle by its edges, in either order."""
    left, right = min(left, right), max(left, right)
    top, bottom = min(top, bottom), max(top, bottom)
    return element("rect", x=left, y=top, width=right - left, height=bottom - top, rx=rx, class_=class_)


def outline(points: Sequence[Point]) -> str:
    """Path data of a line through points."""
    return "M" + "L".join(f"{number(x)} {number(y)}" for x, y in points)


def polyline(points: Sequence[Point], class_: str) -> str:
    """A line through several points."""
    return element("path", d=outline(points), class_=class_)


def label(x: float, y: float, text: str, class_: str = "label", anchor: str = "middle") -> str:
    """Text with its baseline at y."""
    if not text:
        return ""
    return element("text", escape(text, quote=False), x=x, y=y, class_=class_, text_anchor=anchor)
