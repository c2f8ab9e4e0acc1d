"""Every planted fault is caught by the test named beside it (minutes: EMS_LONG=1 runs it; two of them always)."""

from __future__ import annotations

import os

import pytest
from mutations import CHECKOUT, FAULTS, main, place_of


def test_every_fault_still_has_its_place():
    """The text each fault replaces stands exactly once in its file, the test that must catch it exists, DEVELOPERS.md lists it."""
    listed = (CHECKOUT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for fault in FAULTS:
        assert place_of(fault, CHECKOUT / "ems") is not None, fault.name
        path = CHECKOUT / fault.test.partition("::")[0]
        assert f"def {fault.function}(" in path.read_text(encoding="utf-8"), fault.name
        assert f"| {fault.name} | `{fault.function}` |" in listed, fault.name
    assert len(FAULTS) >= 50


def test_two_faults_are_caught():
    assert set(main(["factor in the battery", "climbing while"]).values()) == {"caught"}


@pytest.mark.skipif("EMS_LONG" not in os.environ, reason="minutes; EMS_LONG=1 runs it")
def test_all_faults_are_caught():
    assert set(main().values()) == {"caught"}
