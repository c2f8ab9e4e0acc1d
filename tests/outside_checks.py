"""Checks against figures from outside the project, and the page that lists them: docs/checks.md.

A test asks for the fixture and names source, quantity and published value beside our own::

    def test_distance(outside_check):
        outside_check(cycle.distance_m, source="UN GTR No. 15, Annex 1", quantity="WLTC 3b, distance", value=23266, unit="m", tolerance=0.5)

It asserts, and it holds the page to what it has seen: a row that is missing, says another source, value or tolerance, or shows another
figure of ours (by more than half the tolerance) fails the test; so does a row of the test's that was not checked. Rows of tests that
are gone are found by ``tests/test_checks_page.py``. ``EMS_WRITE_CHECKS=1 pytest ...`` writes the rows of the tests it runs, and drops those
of tests that are gone.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parent.parent
PAGE = CHECKOUT / "docs" / "checks.md"
MEMORY = "(from memory)"            # ends the source of a figure that was not looked up again
DERIVED = "(derived)"               # ends the source of exact arithmetic
SHARE_OF_TOLERANCE = 0.5            # by which our figure on the page may differ from the one just found
CELLS = ("quantity", "value", "ours", "tolerance", "unit", "test")
WRITING = "EMS_WRITE_CHECKS"
SEEN = pytest.StashKey[list["Check"]]()


@dataclass(frozen=True, slots=True)
class Check:
    """One row: a figure of ``source``, ours, the largest difference allowed, and the test's id."""

    source: str
    quantity: str
    value: float
    ours: float
    tolerance: float
    unit: str
    test: str

    @property
    def row(self) -> str:
        digits = 12 if self.tolerance < 1e-6 * abs(self.value) else 9
        figures = (f"{self.value:.12g}", f"{self.ours:.{digits}g}", f"{self.tolerance:.2g}")
        return f"| {self.quantity} | {' | '.join(figures)} | {self.unit} | `{self.test}` |"

    def same_as(self, other: Check) -> bool:
        """Whether the page would tell the same, our figure apart from its last digits."""
        words = all(getattr(self, f.name) == getattr(other, f.name) for f in fields(self) if f.name not in ("value", "ours", "tolerance"))
        close = SHARE_OF_TOLERANCE * self.tolerance + 1e-8 * abs(self.value)
        return words and abs(self.value - other.value) <= close and abs(self.ours - other.ours) <= close \
            and abs(self.tolerance - other.tolerance) <= 0.1 * self.tolerance


def read_page() -> list[Check]:
    """Rows of the page as it is in the checkout."""
    found, source = [], ""
    for line in PAGE.read_text(encoding="utf-8").splitlines() if PAGE.is_file() else []:
        if line.startswith("## "):
            source = line[3:]
        elif line.endswith("` |"):
            cell = dict(zip(CELLS, re.split(r"\s*\|\s*", line.strip("| ")), strict=True))
            found.append(Check(source, cell["quantity"], float(cell["value"]), float(cell["ours"]), float(cell["tolerance"]), cell["unit"],
                               cell["test"].strip("`")))
    return found


def page_of(checks: list[Check]) -> str:
    """The page's text: a table a source."""
    sources = sorted({c.source for c in checks})
    out = ["# Checks against figures from outside", "",
           "Written by the tests (`EMS_WRITE_CHECKS=1 pytest`), held to them by every run: `tests/outside_checks.py` says how.", "",
           f"{len(checks)} figures, {len(sources)} sources. *Tolerance* is the largest difference the test allows, usually half of the",
           "last digit published. *From memory*: not looked up again. *Derived*: exact arithmetic from what is named. A figure of",
           "another library is computed beside ours in the same run. What a check is made on may be invented; the figure it is held",
           "against is not.",
           ""]
    for source in sources:
        out += [f"## {source}", "", "| quantity | source's figure | ours | tolerance | unit | test |",
                "| --- | ---: | ---: | ---: | --- | --- |"]
        out += [c.row for c in sorted((c for c in checks if c.source == source), key=lambda c: (c.test, c.quantity))] + [""]
    return "\n".join(out)


@pytest.fixture
def outside_check(request: pytest.FixtureRequest) -> Iterator[Callable[..., None]]:
    """``outside_check(ours, source=, quantity=, value=, unit=, tolerance=)``: asserts, and holds the page to it."""
    seen: list[Check] = []
    test, writing = request.node.nodeid, WRITING in os.environ
    written = [] if writing else [c for c in read_page() if c.test == test]

    def check(ours: float, *, source: str, quantity: str, value: float, unit: str, tolerance: float) -> None:
        assert tolerance > 0.0 and "|" not in source + quantity + unit
        found = Check(source, quantity, float(value), float(ours), float(tolerance), unit, test)
        # rounding aside: half a published digit is a limit that exact arithmetic can sit on
        assert abs(found.ours - found.value) <= tolerance + 1e-9 * abs(found.value), f"{source}: {quantity} {value:g} {unit}, {ours:.9g}"
        assert writing or any(found.same_as(c) for c in written), f"docs/checks.md does not say: {found.row}; EMS_WRITE_CHECKS=1 writes it"
        seen.append(found)

    yield check
    if not request.node.went_well:      # what failed first is told already
        return
    assert seen, "asks for outside_check and checks nothing"
    if writing:
        request.config.stash.setdefault(SEEN, []).extend(seen)
    missed = {c.quantity for c in written} - {c.quantity for c in seen}
    assert not missed, f"docs/checks.md lists what was not checked: {missed}"


def write_page(session: pytest.Session) -> None:
    """After a run with ``EMS_WRITE_CHECKS=1``: rows of tests that ran are replaced, those of tests that are gone dropped."""
    seen = session.config.stash.get(SEEN, None)
    if seen:
        ran = {c.test for c in seen}
        files = {item.nodeid.partition("::")[0] for item in session.items}
        there = {item.nodeid for item in session.items}
        kept = [c for c in read_page() if c.test not in ran and (c.test in there or c.test.partition("::")[0] not in files)]
        PAGE.parent.mkdir(exist_ok=True)
        PAGE.write_text(page_of([*kept, *seen]), encoding="utf-8")
