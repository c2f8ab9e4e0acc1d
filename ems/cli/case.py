"""What a command that solves is asked to solve: the options, the words of a user, and what is recorded of them.

A ``Case`` holds the words. ``case.load()`` reads the files they mean, ``solve(run, loaded)`` solves and tells its
progress, and ``inputs(loaded, folder)`` is what ``result.json`` there records, from which ``recorded(folder)`` makes the same case
again.
"""

from __future__ import annotations

import functools
import json
import math
import platform
import shlex
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ems.cli.common import Run
from ems.cli.progress import progress
from ems.cli.usage import WrongUsage
from ems.errors import InputError, Mistake, Mistakes
from ems.studies.options import OPTIONS as OPTION_TABLE
from ems.studies.options import Option, Solving

if TYPE_CHECKING:
    from ems.layout.model import Layout
    from ems.solve.optimum import Optimum
    from ems.trips.cycle import Cycle

DEFAULT_CYCLE = "wltc-3b"
OPTIONS = ("cycle", "charge", *(field.name for field in fields(Solving)))
STRATEGY_OPTIONS = ("cycle", "charge", "grid", "lanes")     # with which a strategy can be driven

OWN_INPUTS = ("LAYOUT|DIR", "a folder, and --set or options of a case",
              "a folder without them, which brings its own inputs, or the layout")

Function = TypeVar("Function", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Case(Solving):
    """One problem in the user's words.

    layout, overrides, cycle : as typed; cycle None when not given
    charge : START:END state of charge, None for sustaining
    """

    layout: str
    overrides: tuple[str, ...] = ()
    cycle: str | None = None
    charge: str | None = None

    @property
    def options(self) -> dict[str, Any]:
        """What was asked for beside layout and overrides, by the names of the options; what is usual left out."""
        usual = Case("")
        given = {name: getattr(self, name) for name in OPTIONS}
        return {name: value for name, value in given.items() if value != getattr(usual, name)}

    @property
    def words(self) -> str:
        """Layout and options as they would be typed."""
        out = [self.layout]
        for name, value in self.options.items():
            option = f"--{name.replace('_', '-')}"
            out += [option] if value is True else [option, f"{value:g}" if isinstance(value, float) else str(value)]
        return shlex.join([*out, *(word for change in self.overrides for word in ("--set", change))])

    def load(self) -> Loaded:
        """Read layout and cycle; every mistake of both, and of the charge, in one ``InputError``."""
        from ems.layout.load import load_layout
        from ems.solve.charge import check_window, parse_charge
        from ems.trips.cycle import load_cycle

        mistakes = Mistakes()
        layout = mistakes.tried(lambda: load_layout(self.layout, overrides=self.overrides))
        cycle = mistakes.tried(lambda: load_cycle(self.cycle or DEFAULT_CYCLE))
        charge = parse_charge(self.charge, "--charge", mistakes) if self.charge is not None else None
        if layout is not None and charge is not None:
            check_window(charge, layout.battery, "--charge", mistakes)
        if layout is None or cycle is None or mistakes.found:
            raise InputError(mistakes.found)
        return Loaded(self, layout, cycle, charge)


    def load_beside(self, strategy: str | None) -> Loaded:
        """``load``; where it fails, what is wrong with the strategy's word or file is told too, if the layout can be read."""
        try:
            return self.load()
        except InputError as error:
            mistakes = Mistakes(list(error.mistakes))
        from ems.layout.load import load_layout
        from ems.strategies.load import load_strategy

        layout = Mistakes().tried(lambda: load_layout(self.layout, overrides=self.overrides)) if strategy is not None else None
        if layout is not None and strategy is not None:
            mistakes.tried(lambda: load_strategy(strategy, layout))
        raise InputError(mistakes.found)


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A case with its files read; ``charge`` is (start, end) state of charge, None for sustaining."""

    case: Case
    layout: Layout
    cycle: Cycle
    charge: tuple[float, float] | None


class Real(click.FloatRange):
    """A number within a range; 'nan', which lies in no range and outside none, is refused."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        found = super().convert(value, param, ctx)
        if math.isnan(found):
            self.fail(f"{value} is not in the range {self.min:g}<=x<={self.max:g}.", param, ctx)
        return found


def option(name: str, **changes: Any) -> Callable[[Any], Any]:
    """An option as a study file has it too, with its limits, help and default; ``changes`` are click's."""
    said, usual = OPTION_TABLE[name], getattr(Case(""), name, None)
    words: dict[str, Any] = {"help": said.meaning}
    if said.metavar:
        words |= {"metavar": said.metavar, "type": _type(said), "default": usual, "show_default": said.metavar == "N" and usual is not None}
    else:
        words |= {"is_flag": True, "default": usual}
    return click.option(f"--{name.replace('_', '-')}", **(words | changes))


def _type(said: Option) -> click.IntRange | click.FloatRange | None:
    if said.low is None or said.high is None:
        return None
    return click.IntRange(int(said.low), int(said.high)) if said.taken is int else Real(said.low, said.high)


cycle_option = click.option("--cycle", metavar="CYCLE", help=f"Shipped cycle or a file of your own; {DEFAULT_CYCLE} if omitted.")


def case_options(function: Function) -> Function:
    """Decorator: the options of a case; the function is called with all of ``OPTIONS``, to be handed to ``Case``."""
    return _with(function, OPTIONS)


def strategy_case_options(function: Function) -> Function:
    """Decorator: those of the options that a strategy can be driven with, ``STRATEGY_OPTIONS``."""
    return _with(function, STRATEGY_OPTIONS)


def _with(function: Function, names: Sequence[str]) -> Function:
    options = [cycle_option if name == "cycle" else option(name) for name in names]
    return functools.reduce(lambda made, one: one(made), reversed(options), function)


def solve(run: Run, loaded: Loaded) -> Optimum:
    """Solve a case, with progress and warnings on stderr; those of the cycle first, they may explain a failure."""
    for warning in loaded.cycle.warnings:
        run.warn(f"{loaded.cycle.name}: {warning}")
    with progress(run) as tell:
        found = loaded.case.optimum(loaded.layout, loaded.cycle, loaded.charge, progress=tell)
    for warning in found.warnings:
        if warning not in loaded.cycle.warnings:
            run.warn(warning)
    return found


# ------------------------------------------------------------------------------------------- recorded in result.json


def inputs(loaded: Loaded, folder: Path | None) -> dict[str, Any]:
    """What ``result.json`` of a folder, the current one if None, says of where a result came from: words, digests, versions, sources."""
    from ems.layout.listing import layout_sources
    from ems.layout.uncounted import counted_as_zero
    from ems.library import seen_from
    from ems.remembered import remember
    from ems.trips.digest import cycle_digest

    case, layout, base = loaded.case, loaded.layout, folder or Path()
    cycle, digest = case.cycle or DEFAULT_CYCLE, cycle_digest(loaded.cycle)
    remember(layout.digest, case.layout)
    remember(digest, cycle)
    return {
        "inputs": {
            "layout": seen_from(base, case.layout), "layout_digest": layout.digest, "set": list(case.overrides),
            "cycle": seen_from(base, cycle), "cycle_digest": digest,
            "options": {name: value for name, value in case.options.items() if name != "cycle"},
            "files": file_digests(loaded, base),
        },
        "counted_as_zero": counted_as_zero(layout),
        "versions": versions(),
        "sources": {**layout_sources(layout), "cycle": loaded.cycle.source},
    }


def file_digests(loaded: Loaded, folder: Path) -> dict[str, str]:
    """Every file that was read, as a result in the folder says it, and the sha256 of its content."""
    from ems.library import file_word
    from ems.output import sha256

    files = (*loaded.layout.files, *([loaded.cycle.file] if loaded.cycle.file is not None else []))
    return {file_word(folder, path): sha256(path) for path in files if path.is_file()}


def changed_files(said: Mapping[str, Any], folder: Path) -> list[str]:
    """Files of the inputs that a ``result.json`` says which have another content by now; one that is not found is not said to have."""
    from ems.library import file_of
    from ems.output import sha256

    found = {word: file_of(folder, word) for word in said.get("files", {})}
    return [word for word, path in found.items() if path is not None and sha256(path) != said["files"][word]]


def versions() -> dict[str, str]:
    from importlib.metadata import version

    from ems import __version__

    return {"ems": __version__, "python": platform.python_version(), **{p: version(p) for p in ("numpy", "numba")}}


def recorded(folder: Path, schemas: Sequence[str] = ("ems.optimum/1",)) -> Loaded:
    """The case whose result a folder holds, read again.

    schemas : results that are meant
    Raises ``InputError`` when the folder holds no such result, its inputs are gone, or they say something else by now.
    """
    from ems.trips.digest import cycle_digest

    said, mistakes = _read_inputs(folder, schemas), Mistakes()
    layout, cycle = (_again(said, what, folder, mistakes) for what in ("layout", "cycle"))
    mistakes.raise_if_any()
    loaded = Case(layout, tuple(said["set"]), cycle, **said["options"]).load()
    for what, now in (("layout", loaded.layout.digest), ("cycle", cycle_digest(loaded.cycle))):
        if now != said[f"{what}_digest"]:
            mistakes.add(
                str(folder / "result.json"), f"inputs.{what}", _changed_words(folder, said, what),
                f"the {what} the result was computed from: put the file back as it was, or run the command that wrote the folder again "
                "with --force")
    mistakes.raise_if_any()
    return loaded


def _changed_words(folder: Path, said: Mapping[str, Any], what: str) -> str:
    """'three-clutch, changed since ems 0.1.0 wrote the result: maps/engines/dedicated-1500.csv has another content now'."""
    from ems import __version__
    from ems.library import file_of

    by = read_result(folder, "").get("versions", {}).get("ems")
    changed = changed_files(said, folder)
    since = f"{said[what]}, changed since {f'ems {by} wrote the result' if by else 'the result was written'}"
    if changed:
        return f"{since}: {', '.join(changed)} {'has' if len(changed) == 1 else 'have'} another content now"
    if "files" in said and all(file_of(folder, word) for word in said["files"]):
        return f"{said[what]}, its files as they were, but read otherwise by this ems, {__version__}, than by that of the result, {by}"
    return f"{since}: its own file, or one of those that it names" if what == "layout" else since


def kept_inputs(folder: Path, schemas: Sequence[str]) -> tuple[Loaded, list[str]] | None:
    """The case whose result a folder holds, from what the folder itself carries; and which of its files say something else by now.

    None where the folder carries no inputs, or not those of its result: an older one.
    Raises ``InputError`` when the folder holds no such result.
    """
    from ems.present.page.trip import TRIP_FILE, carried_by
    from ems.solve.charge import parse_charge
    from ems.trips.digest import cycle_digest

    said = _read_inputs(folder, schemas)
    found = carried_by(folder / TRIP_FILE)
    if found is None or found[0].digest != said["layout_digest"] or cycle_digest(found[1]) != said["cycle_digest"]:
        return None
    case = Case(said["layout"], tuple(said["set"]), said["cycle"], **said["options"])
    charge = None if case.charge is None else parse_charge(case.charge, "--charge", Mistakes())
    return Loaded(case, *found, charge), changed_files(said, folder)


def read_result(folder: Path, expected: str) -> dict[str, Any]:
    """What the ``result.json`` of a folder says; ``InputError`` where there is none that ems wrote."""
    path = folder / "result.json"
    if not path.is_file():
        raise InputError([Mistake(str(folder), "", "a folder without result.json", expected)])
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError([Mistake(str(path), "", "no JSON that could be read", expected)]) from error
    if not isinstance(found, dict) or not isinstance(found.get("schema"), str):
        raise InputError([Mistake(str(path), "schema", "not there", expected)])
    return found


def _again(said: Mapping[str, Any], what: str, folder: Path, mistakes: Mistakes) -> str:
    """The word with which an input of a result is read again."""
    from ems.library import found_from
    from ems.remembered import recall

    word = found_from(folder, said[what]) or recall(str(said[f"{what}_digest"]))
    if word is None:
        mistakes.add(str(folder / "result.json"), f"inputs.{what}", f"'{said[what]}', which is not there",
                     f"the {what} the result was computed from, where it was, or seen from the result's folder or the current one")
    return word or ""


def _read_inputs(folder: Path, schemas: Sequence[str]) -> dict[str, Any]:
    expected = "a folder that `ems optimum --out` wrote, or a layout"
    found = read_result(folder, expected)
    schema, said = found["schema"], found.get("inputs")
    keys = {"layout", "layout_digest", "set", "cycle", "cycle_digest", "options"}
    if schema not in schemas or not isinstance(said, dict) or not keys <= set(said) or not set(said["options"]) <= set(OPTIONS):
        raise InputError([Mistake(str(folder / "result.json"), "schema", f"'{schema}'", expected)])
    return said


# ------------------------------------------------------------------------------------------- a layout, or a folder


def meant(given: Case, strategy: str | None = None) -> Loaded:
    """The case of a word that is a layout, or a folder of ``ems optimum --out``, which brings its own inputs.

    Raises ``InputError`` for a path that is not there, and what ``load`` and ``recorded`` raise.
    """
    _check_exists(given.layout)
    return _from_folder(given) if is_folder(given.layout) else given.load_beside(strategy)


def _check_exists(word: str) -> None:
    """A path must be there: a layout file or a folder; short names are left to the loader."""
    from ems import library

    if library.is_path(word) and not Path(word).expanduser().exists():
        raise InputError([Mistake("LAYOUT|DIR", "", f"'{word}'", "an existing layout file, or a folder that `ems optimum --out` wrote")])


def is_folder(word: str) -> bool:
    """Whether the word means a folder: a shipped layout's short name comes first."""
    from ems import library

    shipped = not library.is_path(word) and word.lower() in {n.lower() for n in library.names("layout")}
    return not shipped and Path(word).expanduser().is_dir()


def _from_folder(given: Case) -> Loaded:
    """The case a folder records; options that would change it are wrong usage."""
    if given != Case(given.layout):
        raise WrongUsage(*OWN_INPUTS)
    return recorded(Path(given.layout).expanduser())
