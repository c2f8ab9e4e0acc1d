"""What a layout file gives no figure of, or zero, and what is therefore counted as zero: the answer errs low by it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from ems.layout.model import Brake, Clutch, Layout, OneWay, Shifter


def counted_as_zero(layout: Layout) -> list[str]:
    """Losses and inertia of which the file gives no figure for any part, in words; empty where it gives some of each."""
    return list(_nothing_of(layout))


def counted_as_zero_text(layout: Layout) -> str:
    """The same as a sentence, empty where there is nothing to tell."""
    found = counted_as_zero(layout)
    return f"Counted as zero, since the layout file gives none: {', '.join(found)}." if found else ""


def _nothing_of(layout: Layout) -> Iterator[str]:
    shafts = layout.shaft_properties.values()
    if not any(shaft.inertia_kgm2 for shaft in shafts):
        yield "inertia of shafts and gears"
    if not any(shaft.drag_Nm or shaft.drag_Nms_rad for shaft in shafts):
        yield "drag of shafts and gears"
    open_parts: Mapping[str, Sequence[Clutch | Brake | OneWay]] = {
        "clutches": layout.clutches, "brakes": layout.brakes, "one-way clutches": layout.one_way}
    if _some(open_parts) and not any(part.drag_Nm for parts in open_parts.values() for part in parts):
        yield f"drag of open {_some(open_parts)}"
    held: Mapping[str, Sequence[Clutch | Brake | Shifter]] = {
        "clutches": layout.clutches, "brakes": layout.brakes, "shifters": layout.shifters}
    if _some(held) and not any(part.hold_W for parts in held.values() for part in parts):
        yield f"power that holds {_some(held)}"


def _some(parts: Mapping[str, Sequence[object]]) -> str:
    """Kinds of which the layout has any: 'clutches and brakes'."""
    return " and ".join(kind for kind, members in parts.items() if members)
