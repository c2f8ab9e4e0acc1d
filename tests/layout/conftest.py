"""A small layout that is right, for tests to spoil."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

RIGHT = """
name = "One clutch"
vehicle = "hill-taxi"
battery = "hybrid-1k5"
axles.front.shaft = "diff"
engine = { shaft = "crank", map = "dedicated-1500", started_by = "mg1" }
machines.mg1 = { shaft = "rotor-1", map = "machine-75" }
machines.mg2 = { shaft = "rotor-2", map = "machine-120" }
gears.step-up = { from = "crank", to = "rotor-1", ratio = 0.45 }
gears.drive = { from = "rotor-2", to = "diff", ratio = 9.1, efficiency = 0.99 }
gears.cruise = { from = "lay", to = "diff", ratio = 2.9 }
clutches.K1 = { joins = ["crank", "lay"], hold_W = 30 }
"""


@pytest.fixture
def right() -> str:
    return RIGHT


@pytest.fixture
def written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], str]:
    """Write a layout file ``mine.toml`` into the current folder; its name."""
    monkeypatch.chdir(tmp_path)

    def write(text: str) -> str:
        Path("mine.toml").write_text(text, encoding="utf-8")
        return "mine.toml"

    return write
