"""``ems report``: one page to look into results."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from ems.cli import common
from ems.cli.case import OWN_INPUTS, Case, case_options, inputs, is_folder, kept_inputs, read_result, recorded, solve
from ems.cli.usage import WrongUsage
from ems.errors import InputError, Mistake
from ems.output import OutputFolder
from ems.present.page import REPORT_FILE

if TYPE_CHECKING:
    from ems.present.page.report import Page

OPTIMUM, COMPARE = "ems.optimum/1", "ems.compare/1"
EXPECTED = "a folder that `ems optimum`, `compare`, `versus`, `worth`, `sensitivity`, `capability` or " \
           "`chargeable` wrote with --out, or a layout"


@click.command("report")
@click.argument("what", metavar="LAYOUT|DIR ...", nargs=-1, required=True)
@case_options
@common.options(reads_layout=True)
def command(run: common.Run, what: tuple[str, ...], **options: Any) -> None:
    """One HTML page to look into a result: every second with what is engaged and where power flows, and why.

    DIR is a folder of --out: of optimum or compare (a page with a player), versus, worth, sensitivity, capability or chargeable. The
    page is made from what it holds, nothing is solved, and report.html is put there. Several folders make one page, put into the first.
    LAYOUT is solved first; say with --out where the page goes. The page needs no network.
    """
    folders = [Path(word).expanduser() for word in what if is_folder(word)]
    if len(folders) < len(what):
        if len(what) > 1:
            raise WrongUsage("LAYOUT|DIR", "several words, some of them no folders", "one layout, or folders of results and no layouts")
        _of_layout(run, Case(what[0], run.overrides, **options))
        return
    if Case("", run.overrides, **options) != Case(""):
        raise WrongUsage(*OWN_INPUTS)
    if run.out is None:
        OutputFolder(folders[0]).check_add(REPORT_FILE)
    _of_folders(run, folders)


def _of_layout(run: common.Run, case: Case) -> None:
    """Solve a layout, and write the page of its optimum."""
    from ems import library

    if library.is_path(case.layout) and not Path(case.layout).expanduser().exists():
        raise InputError([Mistake("LAYOUT|DIR", "", f"'{case.layout}'", f"an existing layout file, or {EXPECTED}")])
    if run.out is None:
        raise WrongUsage("LAYOUT|DIR", "a layout without --out", "--out DIR too, where the page goes")
    run.will_write(report=True)
    loaded = case.load()
    found = solve(run, loaded)

    from ems.present.page.report import report_page

    said = {**found.to_dict(), **inputs(loaded, run.out)}
    page = report_page(found, said)
    told = _told(run.out, f"{found.layout.name} on {found.cycle.name}", page)
    run.finish({**said, **told}, None if run.json else _text(told), {REPORT_FILE: page})


def _of_folders(run: common.Run, folders: list[Path]) -> None:
    """One page of what folders hold."""
    from ems.present.page.report import html
    from ems.present.page.results import joined

    pages = [_page(run, folder) for folder in folders]
    if sum(p.trip is not None for p in pages) > 1:
        raise WrongUsage("LAYOUT|DIR", "several trips", "one folder of `ems optimum` or `ems compare` at most: one player a page")
    whole = joined(pages)
    page = html(whole)
    told = _told(run.out or folders[0], " on ".join(whole.head.over), page)
    said = {k: v for k, v in whole.result.items() if k not in ("schema", "status", "files")}
    if run.out is None:
        OutputFolder(folders[0]).add(REPORT_FILE, page)
    run.finish({**said, **told}, None if run.json else _text(told), None if run.out is None else {REPORT_FILE: page})


def _page(run: common.Run, folder: Path) -> Page:
    """The page of one folder, from its files."""
    result = read_result(folder, EXPECTED)
    schema = result["schema"]

    from ems.present.page.results import FORCES_FILE, KINDS, result_page

    if schema in (OPTIMUM, COMPARE):
        return _trip_page(run, folder, result)
    if schema not in KINDS:
        raise InputError([Mistake(str(folder / "result.json"), "schema", f"'{schema}'", EXPECTED)])
    forces = None
    if (folder / FORCES_FILE).is_file():
        import pandas as pd

        forces = pd.read_csv(folder / FORCES_FILE, index_col=0)
    return result_page(schema, result, forces)


def _trip_page(run: common.Run, folder: Path, result: Mapping[str, Any]) -> Page:
    from ems.plant.plant import LANES
    from ems.present.page.report import comparison_page, optimum_page
    from ems.present.page.trip import read_trip

    loaded, changed = kept_inputs(folder, (OPTIMUM, COMPARE)) or (recorded(folder, (OPTIMUM, COMPARE)), [])
    if changed:
        run.note(f"{folder}: {', '.join(changed)} changed since; the page shows what was solved, from the folder's own copy")
    trip = read_trip(folder, loaded.layout, loaded.cycle, loaded.case.lanes or LANES, result.get("strategy"))
    return (optimum_page if result["schema"] == OPTIMUM else comparison_page)(trip, result)


def _told(folder: Path, of: str, page: str) -> dict[str, Any]:
    return {"of": of, "report": str(folder / REPORT_FILE), "bytes": len(page.encode())}


def _text(told: Mapping[str, Any]) -> str:
    size = f"{told['bytes'] / 1e6:.1f} MB" if told["bytes"] >= 1e6 else f"{told['bytes'] / 1e3:.0f} kB"
    return f"{told['report']}: {told['of']}, {size}. Open it in any browser."
