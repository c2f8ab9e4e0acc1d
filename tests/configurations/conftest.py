"""Layouts from raw content: the shipped ones to change, and small ones made for one question."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from ems import library
from ems.configurations import Configuration
from ems.configurations.exact import reduced_rows, transpose
from ems.configurations.kinematics import carrying_joints, constraint_matrix, fixed_joints
from ems.inputfile import read_toml
from ems.layout.load import layout_from
from ems.layout.model import Layout

HEAD = """
name = "a question"
vehicle = "hill-taxi"
battery = "hybrid-1k5"
axles.front.shaft = "diff"
engine = { shaft = "crank", map = "dedicated-1500", ENGINE }
"""


@pytest.fixture
def shipped() -> Callable[[str], dict[str, Any]]:
    """Raw content of a shipped layout file, new at every call."""
    return lambda name: read_toml(library.find("layout", name, where="test"), name)


@pytest.fixture
def layout_of() -> Callable[..., Layout]:
    """A layout from raw content, or from TOML text that follows a common head; ``engine`` adds a key to its table."""

    def made(content: dict[str, Any] | str, engine: str = "fuel_cut = false") -> Layout:
        head = HEAD.replace("ENGINE", engine)
        data = tomllib.loads(head + content, parse_float=Decimal) if isinstance(content, str) else content
        return layout_from(data, name="question", where="question.toml")

    return made


def exact_load(layout: Layout, c: Configuration, joint: str, torques: Sequence[Fraction]) -> Fraction:
    """Load of a joint under exact source and wheel torques: ``A^T load = -torques``, redundant joints unloaded."""
    joints = fixed_joints(layout) + carrying_joints(layout, c.state)
    shafts = (*layout.shafts, "wheels")
    applied = dict.fromkeys(shafts, Fraction(0))
    where = [layout.engine.shaft, *(m.shaft for m in layout.machines), "wheels"]
    for shaft, torque in zip(where, torques, strict=True):
        applied[shaft] += torque
    columns = transpose(constraint_matrix(joints, layout.shafts))
    rows, pivots = reduced_rows([[*row, -applied[s]] for row, s in zip(columns, shafts, strict=True)])
    loads = {joints[pivot].name: row[-1] for row, pivot in zip(rows, pivots, strict=True)}
    return loads.get(joint, Fraction(0))


@pytest.fixture(scope="session")
def load_of() -> Callable[[Layout, Configuration, str, Sequence[Fraction]], Fraction]:
    """``exact_load``: what a joint carries."""
    return exact_load
