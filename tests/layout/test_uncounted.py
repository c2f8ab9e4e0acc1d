"""What a layout file leaves at zero is told, and nothing else."""

from __future__ import annotations

import dataclasses

from ems.layout.load import load_layout
from ems.layout.uncounted import counted_as_zero, counted_as_zero_text

SHAFTS = ["inertia of shafts and gears", "drag of shafts and gears"]
BARE = {"three-clutch": [*SHAFTS, "drag of open clutches", "power that holds clutches and shifters"],
        "two-mode": [*SHAFTS, "drag of open clutches and brakes", "power that holds clutches and brakes"], "series": SHAFTS}


def bare(name):
    """A layout whose file gives no inertia, drag or hold power."""
    layout = load_layout(name)
    parts = {kind: tuple(dataclasses.replace(p, **{f: 0.0 for f in ("drag_Nm", "hold_W") if hasattr(p, f)}) for p in getattr(layout, kind))
             for kind in ("clutches", "brakes", "one_way", "shifters")}
    shafts = {name: dataclasses.replace(p, inertia_kgm2=0.0, drag_Nm=0.0, drag_Nms_rad=0.0) for name, p in layout.shaft_properties.items()}
    return dataclasses.replace(layout, shaft_properties=shafts, **parts)


def test_nothing_given_is_told_kind_by_kind():
    for name, told in BARE.items():
        assert counted_as_zero(bare(name)) == told


def test_what_is_given_is_not_told():
    assert counted_as_zero(load_layout("three-clutch")) == ["drag of open clutches"]          # its clutches are dry
    assert counted_as_zero_text(load_layout("series")) == ""
    assert "drag of open clutches" in counted_as_zero_text(load_layout("three-clutch"))
