"""Bars and curves as SVG that follows the page's colours; what a colour says, a pattern or a dash says too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from ems.present.drawing.sizes import text_width
from ems.present.drawing.svg import element, label, line, outline
from ems.present.page.maps import Frame, picture, ticks
from ems.types import Array

BAR = 18.0               # thickness of a bar [px]
NAME = 13.0              # size of names [px]
DASHES = ("", "7 3", "2 3", "8 3 2 3", "4 2 1 2 1 2")
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#a2437d", "#8a6d00")


@dataclass(frozen=True, slots=True)
class Chart:
    """A figure with its caption; ``key`` explains fills: (pattern id or class, words)."""

    svg: str
    caption: str = ""
    key: Sequence[tuple[str, str]] = ()

    def __html__(self) -> str:
        return self.svg


@dataclass(frozen=True, slots=True)
class Bar:
    """A row of a bar chart.

    parts : (value, fill) beside each other from zero, fill an id of a pattern or a class        told : written at the end
    low, high : error bar        mark : an upright stroke
    """

    name: str
    parts: Sequence[tuple[float, str]]
    told: str = ""
    low: float | None = None
    high: float | None = None
    mark: float | None = None


def bars(rows: Sequence[Bar], axis: str, words: str) -> str:
    """Horizontal bars, negative ones to the left of zero; ``words`` say it to a screen reader.

    Drawn twice, names beside the bars and, for a telephone, above them: the page shows the one there is room for.
    """
    return _bars(rows, axis, words, BROAD) + _bars(rows, axis, words, NARROW)


@dataclass(frozen=True, slots=True)
class _Form:
    """Measures of a bar chart [px]: whole width, room at the right, height of a row, and of the name above a bar (0: beside it)."""

    name: str
    width: float
    right: float
    row: float
    above: float


BROAD, NARROW = _Form("broad", 760.0, 90.0, 30.0, 0.0), _Form("narrow", 380.0, 66.0, 42.0, 16.0)


def _bars(rows: Sequence[Bar], axis: str, words: str, form: _Form) -> str:
    ends = [v for r in rows for v in (*_ends(r), r.low, r.high, r.mark) if v is not None]
    low, high = min([0.0, *ends]), max([0.0, *ends])
    if high - low < 1e-9:
        high = 1.0
    bottom = 8.0 + form.row * len(rows)
    names = 2.0 if form.above else 14.0 + max([_width(r.name) for r in rows], default=0.0)
    left = names + (56.0 if low < 0.0 else 0.0)

    def at(value: float) -> float:
        return left + (value - low) / (high - low) * (form.width - left - form.right)

    out = []
    for value in ticks(low, high, 3 if form.above else 6):
        out += [line((at(value), 4.0), (at(value), bottom), "grid"), label(at(value), bottom + 14.0, f"{value:g}", "tick")]
    for i, row in enumerate(rows):
        top = 8.0 + form.row * i
        y = top + form.above + (form.row - form.above - BAR) / 2
        out.append(label(4.0, top + 13.0, row.name, "name", "start") if form.above
                   else label(names - 8.0, y + 0.75 * BAR, row.name, "name", "end"))
        begin = 0.0
        for value, fill in row.parts:
            a, b = sorted((at(begin), at(begin + value)))
            out.append(element("rect", x=a, y=y, width=max(b - a, 0.3), height=BAR, class_="bar", fill=f"url(#{fill})"))
            begin += value
        out += _marks(row, at, y)
        end = max(at(v) for v in (0.0, *_ends(row), row.high) if v is not None)
        start = min(at(v) for v in (0.0, *_ends(row), row.low) if v is not None)
        backward = begin < 0.0
        out.append(label(start - 6.0 if backward else end + 6.0, y + 0.75 * BAR, row.told, "name", "end" if backward else "start"))
    out += [line((at(0.0), 4.0), (at(0.0), bottom), "zero"),
            label(form.width if form.above else form.width - form.right, bottom + 30.0, axis, "axis", "end")]
    title = element("title", escape(words, quote=False))
    return element("svg", title + "".join(out), class_=f"map chart {form.name}", role="img",
                   viewBox=f"0 0 {form.width:g} {bottom + 38.0:g}")


def _width(name: str) -> float:
    """Of a name, with some room for wide fonts, and for the signs of a configuration's, which are wide in them."""
    return 1.06 * text_width(name, NAME) + 0.3 * NAME * sum(name.count(sign) for sign in "+=")


def _ends(row: Bar) -> list[float]:
    return [sum(v for v, _ in row.parts)]


def _marks(row: Bar, at: Any, y: float) -> list[str]:
    out, middle = [], y + BAR / 2
    if row.low is not None and row.high is not None:
        out += [line((at(row.low), middle), (at(row.high), middle), "error")]
        out += [line((at(v), middle - 5.0), (at(v), middle + 5.0), "error") for v in (row.low, row.high)]
    if row.mark is not None:
        out.append(line((at(row.mark), y - 4.0), (at(row.mark), y + BAR + 4.0), "mark"))
    return out


def curves(series: Sequence[tuple[str, Array, Array]], x_words: str, y_words: str, words: str) -> str:
    """Falling curves over a common axis; their names, colours and dashes stand in the free corner."""
    frame = Frame((0.0, max(float(x.max()) for _, x, _ in series)), (0.0, 1.06 * max(float(y.max()) for _, _, y in series)))
    out = frame.axes(x_words, y_words)
    corner = frame.at(frame.x[1], frame.y[1])
    for i, (name, x, y) in enumerate(series):
        look = {"class_": "series", "stroke": COLOURS[i % len(COLOURS)], "stroke_dasharray": DASHES[i % len(DASHES)] or "none"}
        points = [frame.at(float(a), float(b)) for a, b in zip(x, y, strict=True)]
        height = corner[1] + 16.0 + 17.0 * i
        out += [element("path", d=outline(points), **look),
                element("path", d=outline([(corner[0] - 34.0, height), (corner[0], height)]), **look),
                label(corner[0] - 40.0, height + 4.0, name, "name", "end")]
    return picture(out, words)
