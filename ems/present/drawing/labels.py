"""Words of a drawing, and how large they can be where the whole drawing is shown in little room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from ems.present.drawing.sizes import LABEL, text_width
from ems.present.drawing.svg import element, number

Box = tuple[float, float, float, float]   # left, top, right, bottom

LITTLE = 328.0          # width of a drawing on a telephone [px]
READABLE = 9.5          # size that words should have there [px]
WORTH = 1.15            # a drawing that needs less magnification keeps its words as they are
STEP, AIR = 0.5, 2.0    # by how much words shrink where they meet, and what must be between them


@dataclass(frozen=True, slots=True)
class Label:
    """A text with its baseline at ``y``.

    class_ : ``label``, or ``small`` for what is left out where there is little room      anchor : as in SVG
    room   : width of the box it stands in [px], None on free ground
    """

    x: float
    y: float
    text: str
    class_: str = "label"
    anchor: str = "middle"
    room: float | None = None

    def box(self, size: float) -> Box:
        """What it covers at a font size."""
        width = text_width(self.text, size)
        left = self.x - {"start": 0.0, "middle": width / 2.0, "end": width}[self.anchor]
        return left, self.y - 0.75 * size, left + width, self.y + 0.2 * size

    def most(self) -> float:
        """The largest font size for its box."""
        return float("inf") if self.room is None else max(LABEL, min(1.4 * LABEL, self.room / max(text_width(self.text, 1.0), 1e-9)))

    def svg(self, large: float | None = None) -> str:
        """The text element; ``large`` is its font size where there is little room."""
        if not self.text:
            return ""
        words = f"{self.class_} boxed" if self.room is not None and self.class_ == "label" else self.class_
        style = None if large is None else f"--large:{number(large)}px"
        return element("text", escape(self.text, quote=False), x=self.x, y=self.y, class_=words, text_anchor=self.anchor, style=style)


def large_sizes(labels: Sequence[Label], width: float, height: float, wheels: Sequence[Box] = ()) -> list[float | None]:
    """Font sizes for a drawing that is squeezed into ``LITTLE``: readable where they neither meet, nor reach into a gear wheel,
    nor leave it; None where all stay.

    Small labels are left out there and have none.
    """
    wanted = READABLE * width / LITTLE
    if wanted < WORTH * LABEL:
        return [None] * len(labels)
    sizes = {i: min(wanted, label.most()) for i, label in enumerate(labels) if label.text and label.class_ != "small"}
    while True:
        boxes = {i: labels[i].box(size) for i, size in sizes.items()}
        clash = {i for i, box in boxes.items() if sizes[i] > LABEL and (
            _leaves(box, width, height) or any(_meet(box, wheel, 0.0) for wheel in wheels)
            or any(_meet(box, other, AIR) for j, other in boxes.items() if j != i))}
        if not clash:
            return [sizes.get(i) for i in range(len(labels))]
        sizes |= {i: max(LABEL, sizes[i] - STEP) for i in clash}


def _leaves(box: Box, width: float, height: float) -> bool:
    return box[0] < 0.0 or box[1] < 0.0 or box[2] > width or box[3] > height


def _meet(a: Box, b: Box, air: float) -> bool:
    return a[0] < b[2] + air and b[0] < a[2] + air and a[1] < b[3] + air and b[1] < a[3] + air
