"""Layouts from raw content: the shipped ones to change, and small ones made for one question."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from ems import library
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
