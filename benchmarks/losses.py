"""What the losses of the shipped layouts are worth: python benchmarks/losses.py [--layout NAME ...] [--cycle NAME ...] [--lines FILE]

The least fuel as shipped, without drags, without drags, hold and pump power, without limits of regeneration, and bare: without any of
these and with one lane of engine speed. Where there is a guide figure (from a trial: warm, anticipating), how far both ends are from it.
``--what`` picks variants.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from rows import tell

import ems
from ems import library
from ems.errors import CycleNotFollowed
from ems.layout.based_on import read_layout
from ems.plant.plant import LANES
from ems.trips.cycle import Cycle

CYCLES = ("wltc-3b", "nedc", "us06")
GUIDE = {"two-mode": (4.70, 4.15, 5.94), "parallel-six": (4.72, 4.14, 6.03), "series-parallel": (4.77, 4.14, 6.11),
         "three-clutch-rear": (4.62, 4.03, 5.95)}
LAYOUTS = ("two-mode", "parallel-six", "series-parallel", "three-clutch-rear", "three-clutch", "input-split", "series", "plain-car")
NO_HOLD = "no drag, no hold"
WHAT = ("shipped", "no drag", NO_HOLD, "no limits of regeneration", "bare")
DRAGS = ("drag_Nm", "drag_Nms_rad")
HOLD = ("hold_W", "engine_stopped_W", "engine_running_W")
REGENERATION = (*(f"vehicle.axles.{axle}.regeneration_{key}" for axle in ("front", "rear") for key in ("share=1", "m_s2=50")),
                "vehicle.regeneration.fade_from_kmh=0.2", "vehicle.regeneration.fade_to_kmh=0.1")
"""A braking force that one axle recovers whole, whatever it is, to a standstill."""


def without(table: Mapping[str, Any], keys: tuple[str, ...], path: tuple[str, ...] = ()) -> Iterator[str]:
    """Overrides that set every one of the keys to zero, wherever a layout file has it."""
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from without(value, keys, (*path, key))
        elif key in keys and value:
            yield f"{'.'.join((*path, key))}=0"


def variants(name: str) -> dict[str, tuple[tuple[str, ...], int]]:
    """Name of a variant -> overrides and lanes; those that would change nothing left out."""
    raw = read_layout(library.find("layout", name, where="benchmark"), name).data
    drag, hold = tuple(without(raw, DRAGS)), tuple(without(raw, HOLD))
    cases = ((), LANES), (drag, LANES), (drag + hold, LANES), (REGENERATION, LANES), (drag + hold + REGENERATION, 1)
    return {what: case for what, case in zip(WHAT, cases, strict=True) if what != NO_HOLD or hold}


def row(name: str, cycle: Cycle, what: str, overrides: tuple[str, ...], lanes: int) -> dict[str, Any]:
    """One case."""
    head = {"layout": name, "cycle": cycle.name, "what": what}
    try:
        best = ems.optimum(ems.load_layout(name, overrides=overrides), cycle, lanes=lanes)
    except CycleNotFollowed as error:
        return head | {"follows": False, "message": str(error)}
    guide = GUIDE[name][CYCLES.index(cycle.name)] if name in GUIDE and cycle.name in CYCLES else None
    off = None if guide is None else 100.0 * (best.fuel_l_per_100km / guide - 1.0)
    return head | {"follows": True, "fuel_l_per_100km": best.fuel_l_per_100km, "gap_percent": best.gap_percent,
                   "table_error_percent": best.table_error_percent, "guide_l_per_100km": guide, "above_guide_percent": off}


def line(found: Mapping[str, Any]) -> str:
    """A row of the printed table."""
    head = f"{found['layout']:20} {found['cycle']:10} {found['what']:26}"
    if not found["follows"]:
        return f"{head} {found['message']}"
    guide = "" if found["guide_l_per_100km"] is None else f"  guide {found['guide_l_per_100km']:.2f}, {found['above_guide_percent']:+.1f} %"
    return f"{head} {found['fuel_l_per_100km']:7.3f}  gap {found['gap_percent']:.3f}  tables {found['table_error_percent']:.3f}{guide}"


def main() -> None:
    """Reads the options and runs the cases."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--layout", action="append", help=f"instead of {', '.join(LAYOUTS)}; repeatable")
    parser.add_argument("--cycle", action="append", help="instead of wltc-3b, and of nedc and us06 where there is a guide; repeatable")
    parser.add_argument("--what", action="append", choices=WHAT, help="instead of all variants; repeatable")
    parser.add_argument("--lines", type=Path, help="file for one JSON object a run")
    options = parser.parse_args()
    for name in options.layout or LAYOUTS:
        for word in options.cycle or (CYCLES if name in GUIDE else CYCLES[:1]):
            cycle = ems.load_cycle(word)
            for what, (overrides, lanes) in variants(name).items():
                if what in (options.what or WHAT):
                    found = row(name, cycle, what, overrides, lanes)
                    tell(line(found), found, options.lines)


if __name__ == "__main__":
    main()
