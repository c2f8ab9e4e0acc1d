"""What a layout can do on the road, as a study solves it: the same for every cycle, so kept for the next case."""

from __future__ import annotations

import dataclasses
from typing import Any

from ems.judge.capability import Figures, capability
from ems.judge.full_throttle import tyres_of
from ems.layout.load import load_layout
from ems.layout.model import Layout
from ems.studies.how import How
from ems.studies.solvers import Solved
from ems.trips.cycle import Cycle

_last: dict[tuple[str, float | None], dict[str, Any]] = {}


def solve_capability(layout: Layout, _: Cycle, how: How) -> Solved:
    """Columns of ``ems capability``: at normal charge by name, at low charge as ``low.name``."""
    key = (layout.digest, how.grip)
    if key not in _last:
        tyres = tyres_of(layout)
        found = capability(layout, tyres=tyres if how.grip is None else dataclasses.replace(tyres, grip=how.grip), climbs=())
        _last.clear()
        _last[key] = {"capability": _columns(found.normal) | {f"low.{name}": value for name, value in _columns(found.low).items()}}
    return Solved(_last[key])


def _columns(figures: Figures) -> dict[str, Any]:
    return {name: value for name, value in dataclasses.asdict(figures).items() if name not in ("soc", "climbs")}


def warm_up() -> None:
    """Compiles the kernels of wheel forces, or loads them."""
    capability(load_layout("series"), climbs=())
