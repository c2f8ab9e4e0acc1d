"""What a layout can do on the road, as a person reads it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ems.present.text import columns

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.judge.capability import Capability, Figures


def capability_text(found: Capability) -> list[RenderableType]:
    """Everything ``ems capability`` prints."""
    from rich.text import Text

    tyres = found.tyres
    normal, low = _column(found.normal), _column(found.low)
    rows = [(name, value, low[name]) for name, value in normal.items()]
    headings = ("", f"charge {found.normal.soc:g}, the target", f"charge {found.low.soc:g}, lowest")
    head = Text.assemble("What ", (found.layout.name, "bold"), f" can do with {found.layout.vehicle.mass_kg:g} kg")
    return [
        head, "", columns(rows, (False, True, True), headings), "",
        *_run(found), "",
        f"Tyres: grip {tyres.grip:g}, {100 * tyres.front_share:g} % of the weight in front. At either charge a run begins with the",
        "engine stopped where the car drives so at the target. Changes and the engine's start take time; what stays engaged drives on",
        "meanwhile. At the lowest charge the battery gives no more than the consumers take. Short-time ratings unless said otherwise.",
        "A computed capability: acceleration and climbing on a road belong to qualified drivers, on closed ground."]


def _column(f: Figures) -> dict[str, str]:
    climbs = {f"{c.grade_percent:g} % at {c.speed_kmh:g} km/h for ten minutes":
              "held" if c.derated_s == 0.0 else f"{c.held_s:.0f} s, then {c.then_kmh:.0f} km/h" for c in f.climbs}
    return {
        "0-50 km/h": _s(f.time_0_50_s), "0-100 km/h": _s(f.time_0_100_s), "80-120 km/h": _s(f.time_80_120_s),
        "top speed": f"{f.top_speed_kmh:.0f} km/h", "top speed that lasts": f"{f.lasting_top_speed_kmh:.0f} km/h",
        "steepest start": f"{f.start_grade_percent:.0f} %", "largest wheel power": f"{f.most_power_kW:.0f} kW",
        "the same, continuous ratings": f"{f.lasting_power_kW:.0f} kW", "battery gives its most for": _s(f.full_power_s), **climbs}


def _s(value: float | None) -> str:
    return "never" if value is None else f"{value:.1f} s"


def _run(found: Capability) -> list[RenderableType]:
    """The run to 100 km/h, configuration by configuration."""
    rows = [(f"{step['from_kmh']:.0f} km/h", f"{step['at_s']:.2f} s", str(step["configuration"]),
             f"engaged after {step['change_s']:.1f} s" if step["change_s"] else "") for step in found.sprints["normal"].steps]
    return ["the quickest way to 100 km/h, and where each change begins", columns(rows, (True, True, False, False))] if rows else []
