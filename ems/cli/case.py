"""What a command that solves is asked to solve: the options, the words of a user, and what is recorded of them.

A ``Case`` holds the words. ``case.load()`` reads the files they mean, ``solve(run, loaded)`` solves and tells its
progress, and ``inputs(loaded)`` is what ``result.json`` records, from which ``recorded(folder)`` makes the same case
again.
"""

from __future__ import annotations

import functools
import json
import platform
import shlex
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ems.cli.common import Run
from ems.cli.progress import progress
from ems.errors import InputError, Mistake, Mistakes

if TYPE_CHECKING:
    from ems.layout.model import Layout
    from ems.solve.optimum import Optimum
    from ems.trips.cycle import Cycle

DEFAULT_CYCLE = "wltc-3b"
CHARGE_FORM = "START:END, two states of charge from 0 to 1, as 0.7:0.5"

Function = TypeVar("Function", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Case:
    """One problem in the user's words.

    layout, overrides, cycle : as typed; cycle None when not given
    charge : START:END state of charge, None for sustaining
    grid_factor : multiplies the points of the tables    lanes : of the free engine speed
    """

    layout: str
    overrides: tuple[str, ...] = ()
    cycle: str | None = None
    charge: str | None = None
    grid_factor: int = 1
    lanes: int = 1

    @property
    def words(self) -> str:
        """Layout and options as they would be typed."""
        pairs = [("--cycle", self.cycle), ("--charge", self.charge), *(("--set", change) for change in self.overrides),
                 ("--grid", str(self.grid_factor) if self.grid_factor != 1 else None),
                 ("--lanes", str(self.lanes) if self.lanes != 1 else None)]
        return shlex.join([self.layout, *(w for option, value in pairs if value is not None for w in (option, value))])

    def load(self) -> Loaded:
        """Read layout and cycle; every mistake of both, and of the charge, in one ``InputError``."""
        from ems.layout.load import load_layout
        from ems.trips.cycle import load_cycle

        mistakes = Mistakes()
        layout = _tried(mistakes, lambda: load_layout(self.layout, overrides=self.overrides))
        cycle = _tried(mistakes, lambda: load_cycle(self.cycle or DEFAULT_CYCLE))
        charge = _charge(self.charge, mistakes) if self.charge is not None else None
        if layout is not None and charge is not None:
            _check_window(charge, layout, mistakes)
        if layout is None or cycle is None or mistakes.found:
            raise InputError(mistakes.found)
        return Loaded(self, layout, cycle, charge)


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A case with its files read; ``charge`` is (start, end) state of charge, None for sustaining."""

    case: Case
    layout: Layout
    cycle: Cycle
    charge: tuple[float, float] | None


def case_options(function: Function) -> Function:
    """Decorator: the options of a case; the function is called with ``cycle, charge, grid, lanes``."""
    return _with(function, _OPTIONS)


def case_options_of_one_lane(function: Function) -> Function:
    """Decorator: the same without ``lanes``, for what simulates strategies."""
    return _with(function, _OPTIONS[:-1])


def _with(function: Function, options: list[Callable[[Any], Any]]) -> Function:
    return functools.reduce(lambda made, option: option(made), reversed(options), function)


_OPTIONS: list[Callable[[Any], Any]] = [
    click.option("--cycle", metavar="CYCLE",
                 help=f"Shipped cycle or a file of your own; {DEFAULT_CYCLE} if omitted."),
    click.option("--charge", metavar="START:END",
                 help="State of charge at both ends, as 0.7:0.5. Omitted: it ends where it starts, at the target."),
    click.option("--grid", type=click.IntRange(1, 16), default=1, show_default=True, metavar="N",
                 help="N times as many table points on every axis: slower, smaller table error."),
    click.option("--lanes", type=click.IntRange(1, 64), default=1, show_default=True, metavar="N",
                 help="Lanes of engine speed where it is free of the wheels, so that changing it has its cost."),
]


def _charge(word: str, mistakes: Mistakes) -> tuple[float, float] | None:
    """START:END as two numbers, or None with what is wrong among the mistakes."""
    parts = word.split(":")
    try:
        values = [float(p) for p in parts]
    except ValueError:
        values = []
    if len(values) != 2:
        mistakes.add("--charge", "", f"'{word}'", CHARGE_FORM)
        return None
    outside = [(name, text, value) for name, text, value in zip(("start", "end"), parts, values, strict=True)
               if not 0.0 <= value <= 1.0]
    for name, text, value in outside:
        hint = f" (if percent is meant: {value / 100:g})" if 1.0 < value <= 100.0 else ""
        mistakes.add("--charge", name, text.strip(), f"a state of charge from 0 to 1{hint}")
    return None if outside else (values[0], values[1])


def _check_window(charge: tuple[float, float], layout: Layout, mistakes: Mistakes) -> None:
    battery = layout.battery
    for name, value in zip(("start", "end"), charge, strict=True):
        if not battery.soc_low <= value <= battery.soc_high:
            mistakes.add("--charge", name, f"{value:g}",
                         f"a state of charge in the window of battery {battery.name}, {battery.soc_low:g} to "
                         f"{battery.soc_high:g} (--set changes it: battery.soc_low, battery.soc_high)")


Value = TypeVar("Value")


def _tried(mistakes: Mistakes, load: Callable[[], Value]) -> Value | None:
    try:
        return load()
    except InputError as error:
        mistakes.extend(error)
        return None


def solve(run: Run, loaded: Loaded) -> Optimum:
    """Solve a case, with progress and warnings on stderr; those of the cycle first, they may explain a failure."""
    for warning in loaded.cycle.warnings:
        run.warn(f"{loaded.cycle.name}: {warning}")
    with progress(run) as tell:
        from ems.solve.optimum import optimum
        from ems.tables.build import DEFAULT_GRID, refined

        case = loaded.case
        grid = DEFAULT_GRID if case.grid_factor == 1 else refined(DEFAULT_GRID, case.grid_factor)
        found = optimum(loaded.layout, loaded.cycle, charge=loaded.charge, progress=tell, grid=grid, lanes=case.lanes)
    for warning in found.warnings:
        if warning not in loaded.cycle.warnings:
            run.warn(warning)
    return found


# ------------------------------------------------------------------------------------------- recorded in result.json


def inputs(loaded: Loaded) -> dict[str, Any]:
    """What ``result.json`` says of where a result came from: words, digests, versions, sources of the maps."""
    case, layout = loaded.case, loaded.layout
    return {
        "inputs": {
            "layout": _absolute(case.layout), "layout_digest": layout.digest, "set": list(case.overrides),
            "cycle": _absolute(case.cycle or DEFAULT_CYCLE), "cycle_digest": cycle_digest(loaded.cycle),
            "charge": case.charge, "grid_factor": case.grid_factor, "lanes": case.lanes,
        },
        "versions": _versions(),
        "sources": _sources(loaded),
    }


def cycle_digest(cycle: Cycle) -> str:
    """sha256 of the numbers of a cycle."""
    import hashlib

    digest = hashlib.sha256()
    for array in (cycle.time_s, cycle.speed_m_s, cycle.grade, cycle.auxiliary_W):
        digest.update(array.tobytes())
    return digest.hexdigest()


def _absolute(word: str) -> str:
    from ems.library import is_path

    return str(Path(word).expanduser().absolute()) if is_path(word) else word


def _versions() -> dict[str, str]:
    from importlib.metadata import version

    from ems import __version__

    return {"ems": __version__, "python": platform.python_version(), **{p: version(p) for p in ("numpy", "numba")}}


def _sources(loaded: Loaded) -> dict[str, str]:
    layout = loaded.layout
    engine = layout.engine.engine
    return {
        "vehicle": layout.vehicle.source, "battery": layout.battery.source, "engine": engine.source,
        "fuel": engine.fuel.source, "cycle": loaded.cycle.source, **{m.name: m.machine.source for m in layout.machines},
    }


def recorded(folder: Path) -> Loaded:
    """The case whose optimum a folder holds, read again.

    Raises ``InputError`` when the folder holds no optimum, its inputs are gone, or they say something else by now.
    """
    said = _read_inputs(folder)
    case = Case(said["layout"], tuple(said["set"]), said["cycle"], said["charge"], said["grid_factor"], said["lanes"])
    loaded = case.load()
    mistakes = Mistakes()
    for what, now in (("layout", loaded.layout.digest), ("cycle", cycle_digest(loaded.cycle))):
        if now != said[f"{what}_digest"]:
            mistakes.add(
                str(folder / "result.json"), f"inputs.{what}", f"{said[what]}, changed since the result was written",
                f"the {what} the result was computed from; run `ems optimum` again, or name the layout itself")
    mistakes.raise_if_any()
    return loaded


def _read_inputs(folder: Path) -> dict[str, Any]:
    path = folder / "result.json"
    expected = "a folder that `ems optimum --out` wrote, or a layout"
    if not path.is_file():
        raise InputError([Mistake(str(folder), "", "a folder without result.json", expected)])
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise InputError([Mistake(str(path), "", "no JSON that could be read", expected)]) from error
    schema = found.get("schema") if isinstance(found, dict) else None
    said = found.get("inputs") if isinstance(found, dict) else None
    keys = {"layout", "layout_digest", "set", "cycle", "cycle_digest", "charge", "grid_factor", "lanes"}
    if schema != "ems.optimum/1" or not isinstance(said, dict) or not keys <= set(said):
        raise InputError([Mistake(str(path), "schema", f"'{schema}'", expected)])
    return said
