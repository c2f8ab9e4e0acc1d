"""A tuning as a person reads it: gaps to the optimum before and after, seen and unseen, then the parameters."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ems.present.text import columns
from ems.strategies.calibration import Parameter, parameters
from ems.strategies.roads import AS_IT_IS, HILLS

if TYPE_CHECKING:
    from rich.console import RenderableType

    from ems.judge.tuning import Tuning

NAMES = {"first": "calibration it began from", "fitted": "fitted to the optimum", "random": "best of random ones", "tuned": "tuned",
         "ecms": "ECMS, payback tuned, constant found on each cycle"}


def tune_text(found: Tuning, out: Path | None = None) -> list[RenderableType]:
    """Everything ``ems tune`` prints."""
    seen, unseen = ", ".join(found.trained), ", ".join(found.unseen) or "none"
    hills = sum(name == HILLS for _, name in found.roads)
    phases = sum(name not in (AS_IT_IS, HILLS) for _, name in found.roads)
    kinds = [*([f"{phases} of their phases alone"] if phases else []), *([f"{hills} of them over hills"] if hills else [])]
    made = [f"Tuned on {' and '.join(kinds)} too."] if kinds else []
    return [f"Rules of {found.layout}, tuned on {seen}; unseen: {unseen}", *made, "", _gaps(found), "", _by_cycle(found), "",
            _parameters(found), "", *found.notes,
            "Above the certified least fuel of the same layout and cycle with the same charge at the end. Not type-approval figures; a",
            "computed calibration is a proposal: check it on a rig before it drives on a road.",
            f"Kept in {out}/calibration.toml." if out else "To keep the calibration: --out DIR."]


def _gaps(found: Tuning) -> RenderableType:
    rows = []
    for name in found.judged:
        trained, unseen = found.gap(name, found.trained), found.gap(name, found.unseen)
        rows.append((NAMES[name], *_percents(trained), *_percents(unseen)))
    head = ("above the optimum", "tuned on: mean", "worst", "unseen: mean", "worst")
    return columns(rows, (False, True, True, True, True), head)


def _percents(gap: tuple[float, float] | None) -> tuple[str, str]:
    return (f"{gap[0]:.2f} %", f"{gap[1]:.2f} %") if gap else ("-", "-")


def _by_cycle(found: Tuning) -> RenderableType:
    cycles = [*found.trained, *found.unseen]
    rows = []
    for cycle in cycles:
        gaps = {name: next((j for j in rows_ if j.cycle == cycle), None) for name, rows_ in found.judged.items()}
        tuned = gaps["tuned"]
        last = (f"{tuned.starts_per_km:.2f}", f"{tuned.changes_per_km:.2f}", f"{tuned.soc_end:.3f}") if tuned else ("-", "-", "-")
        rows.append((cycle, *(f"{j.gap_percent:.2f} %" if j else "stuck" for j in gaps.values()), *last))
    head = ("cycle", *found.judged, "tuned: starts/km", "changes/km", "charge at the end")
    return columns(rows, (False, *([True] * (len(head) - 1))), head)


def _parameters(found: Tuning) -> RenderableType:
    first, tuned = ({p.name: p for p in parameters(c)} for c in (found.first, found.calibration))
    rows = [(r.name, f"{first[r.name].value:.4g}", f"{r.start:.4g}", f"{tuned[r.name].value:.4g}", tuned[r.name].unit)
            for r in found.searched]
    return columns(rows, (False, True, True, True, False), ("parameter", "first", "fitted", "tuned", "unit"))


def parameters_text(layout: str, found: Sequence[Parameter]) -> list[RenderableType]:
    """What ``ems tune --list`` prints."""
    rows = [(p.name, f"{p.value:.4g}", p.unit, f"{p.low:g} to {p.high:g}", p.meaning) for p in found]
    return [f"Parameters of the rules of {layout}", "", columns(rows, (False, True, False, False, False),
                                                               ("parameter", "value", "unit", "bounds", "meaning"))]
