"""``ems check``: read the user's files and list every mistake."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from ems.cli import common
from ems.present.text import times


@click.command("check")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@common.options(reads_layout=True)
def command(run: common.Run, files: tuple[str, ...]) -> None:
    """Read files and list every mistake in them, or say what was read.

    A FILE is a layout, a vehicle, engine, machine or battery (TOML), a map, a curve or a drive cycle (CSV), recognised
    by its content; or the short name of something shipped.
    """
    from ems.cli.tables import table
    from ems.errors import InputError, Mistakes

    mistakes, rows = Mistakes(), []
    for word in files:
        try:
            rows.append(_checked(word, run.overrides))
        except InputError as error:
            mistakes.extend(error)
    mistakes.raise_if_any()
    for row in rows:
        for warning in row["warnings"]:
            run.warn(warning)
    shown = table(("file", "kind", "what it holds"), [(r["file"], r["kind"], r["summary"]) for r in rows])
    run.finish({"files": rows}, [shown, f"No mistakes in {times(len(rows), 'file')}."])


def _checked(word: str, overrides: tuple[str, ...]) -> dict[str, Any]:
    """What one file holds; raises ``InputError`` with its mistakes."""
    from ems.cli import filekinds
    from ems.components.listing import KINDS

    kind, path = _kind_and_path(word)
    if kind == "layout":
        summary, warnings = _layout(word, overrides)
    elif kind == "cycle":
        summary, warnings = _cycle(word)
    elif kind in KINDS:
        part = KINDS[kind](word, where="FILE", key="")
        summary, warnings = "; ".join([part.title, f"source: {part.source}", *getattr(part, "notes", ())]), []
    else:
        columns = filekinds.check_csv(kind, path, word)
        summary = f"{len(columns.line_numbers)} rows; source: {columns.source or 'not stated'}"
        warnings = [] if columns.source else [f"{word}: no source line (# source: ...)"]
    return {"file": word, "kind": kind, "summary": summary, "warnings": warnings}


def _kind_and_path(word: str) -> tuple[str, Path]:
    """Kind and place of a file, or of the shipped thing that a short name means."""
    from ems import library
    from ems.cli import filekinds
    from ems.errors import InputError, Mistake, nearest_name

    if library.is_path(word):
        path = Path(word).expanduser()
        if not path.is_file():
            found = "a folder" if path.is_dir() else "nothing"
            raise InputError([Mistake(word, "", found, "an existing file")])
        return filekinds.kind_of(path, word), path
    kinds: tuple[library.Kind, ...] = ("layout", "cycle", "vehicle", "engine", "machine", "battery")
    known = {name.lower(): kind for kind in reversed(kinds) for name in library.names(kind)}
    if word.lower() not in known:
        raise InputError([Mistake("FILE", "", f"'{word}'", "a file (with its suffix), or a short name of something "
                                  "shipped", nearest_name(word, known))])
    kind = known[word.lower()]
    return kind, library.find(kind, word, where="FILE")


def _layout(word: str, overrides: tuple[str, ...]) -> tuple[str, list[str]]:
    from ems.configurations import derive
    from ems.layout.load import load_layout
    from ems.layout.uncounted import counted_as_zero

    layout = load_layout(word, overrides=overrides, where="FILE")
    found = derive(layout)
    counts = [
        (len(layout.shafts), "shaft"), (found.actuator_states, "actuator state"), (len(found.tie_ups), "tie-up"),
        (len(found.configurations), "configuration"),
    ]
    zero = counted_as_zero(layout)
    words = [layout.title, ", ".join(times(*c) for c in counts), *([f"counted as zero: {', '.join(zero)}"] if zero else [])]
    return "; ".join(words), []


def _cycle(word: str) -> tuple[str, list[str]]:
    from ems.trips.listing import cycle_rows

    row: dict[str, Any] = cycle_rows([word])[0]
    return f"{row['title']}; {row['duration_s']:g} s, {row['distance_km']:.3f} km", list(row["warnings"])
