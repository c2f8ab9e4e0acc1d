"""A bridge between two figures as a person reads it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ems.present.text import columns
from ems.regulations.weightings import WEIGHTINGS

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.judge.bridge import Bridge, Terms

TITLES = {"cycle": "cycle", "road_load": "road load and mass", "charge": "charge", "weighting": "weighting"}
NO_TYPE_APPROVAL = "Both are computed optima of this layout, no type-approval figures; the texts in force decide."


def bridge_text(found: Bridge) -> list[RenderableType]:
    """Everything ``ems bridge`` prints."""
    from rich.text import Text

    rows = [("from: " + _words(found.begin), f"{found.begin_l_per_100km:.3f}", "", f"± {found.bars_l_per_100km[0]:.3f}")]
    rows += [(f"  {TITLES[c.factor]}", f"{c.stated_l_per_100km:+.3f}", f"{c.mean_l_per_100km:+.3f}",
              f"{c.low_l_per_100km:+.3f} to {c.high_l_per_100km:+.3f}") for c in found.contributions]
    rows.append(("to: " + _words(found.end), f"{found.end_l_per_100km:.3f}", "", f"± {found.bars_l_per_100km[1]:.3f}"))
    order = ", ".join(TITLES[c.factor] for c in found.contributions) or "nothing differs"
    return [Text.assemble("Between two figures of ", (found.begin.layout.name, "bold"), ", l/100 km"), "",
            columns(rows, (False, True, True, False), ("", "in this order", "mean of all orders", "over the orders")), "",
            f"  Order: {order}. Each column of contributions adds up to the difference.", "", NO_TYPE_APPROVAL]


def _words(terms: Terms) -> str:
    weighting = WEIGHTINGS[terms.weighting].title if terms.weighting in WEIGHTINGS else terms.weighting
    changes = f", {', '.join(terms.road_load)}" if terms.road_load else ""
    return f"{terms.cycle.name}{changes}, charge {terms.charge[0]:g} to {terms.charge[1]:g}, {weighting}"
