"""Placements kept in the user's cache folder, so that a layout is placed once."""

from __future__ import annotations

import contextlib
import hashlib
import json
from pathlib import Path
from typing import Any

from ems.layout.model import DrawingOrder, Layout
from ems.output import write_atomically
from ems.present.drawing import axes, drums, legality, placement, placing, reading, rows, search, sizes
from ems.present.drawing.axes import Skeleton, skeleton
from ems.present.drawing.drums import changed, changes_of
from ems.present.drawing.placement import Placement, item_shapes
from ems.present.drawing.placing import place
from ems.remembered import cache_folder


def placed(layout: Layout) -> Placement:
    """The placement of a layout in the order its file asks for, from the cache when it has been found before; the same either way."""
    made = skeleton(layout)
    path = _path(made, layout.drawing)
    found = _read(path, made) if path is not None else None
    if found is None:
        found = place(made, layout.drawing)
        if path is not None:
            with contextlib.suppress(OSError):
                path.parent.mkdir(parents=True, exist_ok=True)
                write_atomically(path, json.dumps(_plain(found)).encode())
    return found


def _path(made: Skeleton, order: DrawingOrder) -> Path | None:
    """The file for what is drawn; it depends on the placing code too, so that a new version places anew."""
    digest = hashlib.sha256(repr((made, order)).encode())
    try:
        for module in (axes, sizes, placement, rows, legality, reading, search, drums, placing):
            digest.update(Path(str(module.__file__)).read_bytes())
    except OSError:
        return None
    base = cache_folder()
    return base / "drawings" / f"{digest.hexdigest()[:24]}.json" if base is not None else None


def _plain(found: Placement) -> dict[str, Any]:
    return {"changes": changes_of(found.skeleton), "rows": found.rows, "x": found.x, "turns": found.turns, "bus_on_top": found.bus_on_top}


def _read(path: Path, made: Skeleton) -> Placement | None:
    """The placement in a file; None when there is none, or it does not fit."""
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        made = changed(made, data["changes"])
        found = Placement(made, tuple(data["rows"]), tuple(map(float, data["x"])), tuple(data["turns"]), bool(data["bus_on_top"]))
        shapes = item_shapes(made)
        fits = (len(found.rows) == len(made.axes) and len(found.x) == len(found.turns) == len(made.items)
                and all(0 <= t < len(s) for t, s in zip(found.turns, shapes, strict=True)))
    except (OSError, ValueError, KeyError, TypeError, StopIteration):
        return None
    return found if fits else None
