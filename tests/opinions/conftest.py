"""The benchmarks' modules, and pieces of cycles as the tests of the solvers use them."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(CHECKOUT / "benchmarks"), str(CHECKOUT / "tests" / "opinions")]


@pytest.fixture(scope="session")
def pieces():
    from general import beside

    return beside("tests/solve/conftest.py").Pieces()


@pytest.fixture(scope="session")
def plain():
    """The same without lanes: one range of the free engine speed, as lecture notes have it."""
    from general import beside

    return beside("tests/solve/conftest.py").Pieces(lanes=1)
