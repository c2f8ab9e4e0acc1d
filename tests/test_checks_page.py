"""docs/checks.md lists what the tests check, no more: the other half, that it lists all of it, is in ``outside_checks``."""

from __future__ import annotations

import dataclasses

import pytest
from outside_checks import Check, page_of, read_page


def test_every_row_belongs_to_a_test_that_is_there(request):
    """By the collected tests, of the files that this run has collected."""
    there = {item.nodeid for item in request.session.items}
    whole = {item.nodeid.partition("::")[0] for item in request.session.items}
    for check in read_page():
        path, _, name = check.test.partition("::")
        source = (request.config.rootpath / path).read_text(encoding="utf-8")
        assert f"def {name.partition('[')[0]}(" in source and "outside_check" in source, check.test
        if path in whole and not request.config.option.keyword and not any("::" in word for word in request.config.args):
            assert check.test in there, f"{check.test} is gone: EMS_WRITE_CHECKS=1 pytest {path}"


def test_page_is_as_it_would_be_written():
    """Order, wording and the counts at the top."""
    from outside_checks import PAGE

    assert PAGE.read_text(encoding="utf-8") == page_of(read_page())


def test_enough_figures_from_enough_sources():
    checks = read_page()
    assert len(checks) >= 25
    assert len({c.source for c in checks}) >= 8
    assert len({(c.source, c.quantity) for c in checks}) == len(checks)


@pytest.mark.parametrize("change", [{"source": "another"}, {"value": 23267.0}, {"tolerance": 1.0}, {"ours": 23266.8}, {"unit": "km"}])
def test_a_row_that_tells_something_else_is_seen(change):
    check = Check("a source", "distance", 23266.0, 23266.3, 0.5, "m", "tests/x.py::test_x")
    assert check.same_as(dataclasses.replace(check, ours=23266.301))
    assert not check.same_as(dataclasses.replace(check, **change))


def test_rows_survive_the_page(tmp_path, monkeypatch):
    check = Check("a source (derived)", "distance, all", 1 / 3, 0.33333, 1e-5, "-", "tests/x.py::test_x[1-a b]")
    page = tmp_path / "checks.md"
    page.write_text(page_of([check]), encoding="utf-8")
    monkeypatch.setattr("outside_checks.PAGE", page)
    assert read_page()[0].same_as(check)
