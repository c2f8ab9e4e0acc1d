"""One ``ems`` for the whole run, subprocesses included, and it is this checkout's state."""

from __future__ import annotations

import os
import sys
from collections.abc import Generator
from hashlib import sha256
from pathlib import Path

import pytest

import ems
from ems.library import data_root

sys.path.append(str(Path(__file__).resolve().parent))    # helpers that tests of several folders share

from outside_checks import WRITING, outside_check, write_page

__all__ = ["outside_check"]

PACKAGE = Path(ems.__file__).resolve().parent
CHECKOUT = Path(__file__).resolve().parent.parent


def digests(package: Path, data: Path) -> dict[str, str]:
    """Digest of every source and data file: of a package, and of the maps and cycles in the folder ``data``."""
    files = [(p, p.relative_to(package)) for p in package.rglob("*") if "_data" not in p.parts]
    files += [(p, p.relative_to(data)) for name in ("maps", "cycles") for p in (data / name).rglob("*")]
    return {name.as_posix(): sha256(p.read_bytes()).hexdigest() for p, name in files
            if p.is_file() and p.suffix != ".pyc"}


def pytest_configure() -> None:
    """Subprocesses import the ``ems`` that this process has imported, wherever they run.

    Raises a usage error when that is an installed copy which differs from the sources beside these tests.
    """
    if PACKAGE != CHECKOUT / "ems" and digests(PACKAGE, data_root()) != digests(CHECKOUT / "ems", CHECKOUT):
        raise pytest.UsageError(f"the ems in {PACKAGE} differs from the one in {CHECKOUT}: install it again")
    if WRITING in os.environ and os.environ.get("PYTEST_XDIST_WORKER"):
        raise pytest.UsageError(f"{WRITING} writes one page from one process: run without -n")
    os.environ["PYTHONSAFEPATH"] = "1"      # `python -m ems` must not take another ems from the current folder
    os.environ["PYTHONPATH"] = os.pathsep.join(
        [str(PACKAGE.parent), *filter(None, [os.environ.get("PYTHONPATH")])])


def pytest_report_header() -> str:
    return f"ems from {PACKAGE}"


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Tests marked ``long`` are for ``EMS_LONG=1``."""
    if os.environ.get("EMS_LONG") != "1":
        skip = pytest.mark.skip(reason="long: set EMS_LONG=1")
        for item in items:
            if "long" in item.keywords:
                item.add_marker(skip)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """A test that failed need not be told that its later checks are missing."""
    report = yield
    if call.when in ("setup", "call"):
        item.went_well = report.passed  # type: ignore[attr-defined]
    return report


def pytest_sessionfinish(session: pytest.Session) -> None:
    """``EMS_WRITE_CHECKS=1`` writes docs/checks.md."""
    if WRITING in os.environ:
        write_page(session)
