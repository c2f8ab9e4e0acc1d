"""Texts that a notebook shows as what they are: a drawing, a page."""

from __future__ import annotations

from html import escape

PAGE_PX = 900


class Svg(str):
    """SVG text; below a cell of a notebook, the drawing."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        return str(self)


class Html(str):
    """The text of a whole page; below a cell of a notebook, the page in a frame of its own, its scripts and styles apart."""

    __slots__ = ()

    def _repr_html_(self) -> str:
        return (f'<iframe srcdoc="{escape(str(self), quote=True)}" style="width:100%;height:{PAGE_PX}px;border:0" '
                'sandbox="allow-scripts"></iframe>')
