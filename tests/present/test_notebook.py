"""Notebook use: results show themselves, plots appear below the cell, and the example notebook runs."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

import ems
from ems.present import notebook
from ems.present.inline import Html

EXAMPLE = Path(__file__).parents[2] / "examples" / "hill-town-taxis.ipynb"
SHORT_TRIP = Path(__file__).parents[1] / "data" / "short-trip.csv"


def outputs(book, kind):
    """What cells gave of a kind, with the number of the cell."""
    return [(n, out["data"][kind]) for n, cell in enumerate(book.cells) if cell.cell_type == "code"
            for out in cell.outputs if kind in out.get("data", {})]


@pytest.fixture(scope="module")
def executed(tmp_path_factory):
    """The example, executed on a short trip of the tests in place of its own cycle."""
    nbclient = pytest.importorskip("nbclient", reason="nbclient is not installed (pip install 'ems[test]'): the notebook is not executed")
    pytest.importorskip("ipykernel", reason="ipykernel is not installed (pip install 'ems[test]'): the notebook is not executed")
    import nbformat

    book = nbformat.read(EXAMPLE, as_version=4)
    book.cells.insert(0, nbformat.v4.new_code_cell(f"CYCLE = {str(SHORT_TRIP)!r}"))
    folder = tmp_path_factory.mktemp("notebook")      # the kernel takes its own folder out of the path
    nbclient.NotebookClient(book, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(folder)}}).execute()
    return book


@pytest.mark.filterwarnings("ignore")      # of the kernel's own libraries
def test_the_example_runs_and_shows_what_it_makes(executed):
    shown = [text for _, text in outputs(executed, "text/html")]
    assert any("<svg" in text for text in shown)
    assert any("no control can come more than" in text for text in shown)
    assert any("<iframe srcdoc=" in text and "allow-scripts" in text for text in shown)
    assert any("dataframe" in text for text in shown)
    assert len(outputs(executed, "image/png")) == 3
    assert not [out for cell in executed.cells if cell.cell_type == "code" for out in cell.outputs if out.output_type == "error"]


def test_the_example_is_kept_without_outputs():
    import json

    cells = json.loads(EXAMPLE.read_text(encoding="utf-8"))["cells"]
    assert all(not c["outputs"] and c["execution_count"] is None for c in cells if c["cell_type"] == "code")


def test_results_show_themselves_and_names_are_text(monkeypatch):
    layout, cycle = ems.load_layout("series"), ems.load_cycle(str(SHORT_TRIP))
    kinds = [type(layout), type(cycle)]
    for kind in kinds:
        monkeypatch.setattr(kind, "_repr_html_", None, raising=False)      # as before once the test is over
    notebook.attach()
    assert "<svg" in layout._repr_html_() and "<script" not in layout._repr_html_()
    evil = dataclasses.replace(layout, title="<script>alert(1)</script>")
    assert "<script>alert" not in evil._repr_html_() and "&lt;script&gt;" in evil._repr_html_()
    assert "1.75 km" in cycle._repr_html_()


def test_a_page_cannot_leave_its_frame():
    text = Html('<p>"quoted"</p></iframe>')._repr_html_()
    assert text.count("<iframe") == 1 and "</p>" not in text and text.endswith("</iframe>")
