"""The cases of a study: every layout on every cycle at every point, loaded and checked before the first is solved."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from ems.components.shelf import Shelf
from ems.errors import InputError, Mistake, Mistakes, RunError
from ems.inputfile import raise_capped
from ems.layout.load import load_layout
from ems.layout.model import Layout
from ems.layout.override import OPTION
from ems.solve.charge import check_window, parse_charge
from ems.studies.axes import Point, shown, toml_text
from ems.studies.how import How, check_options, with_file
from ems.studies.numerics import numerics_of
from ems.studies.options import OPTIONS
from ems.studies.store import CaseRow
from ems.studies.studyfile import Plan, is_how
from ems.studies.worker import Task
from ems.trips.cycle import Cycle, load_cycle
from ems.trips.digest import cycle_digest

DIGEST, DIGITS = "ems.case/2", 32
IN_MEMORY = 1024            # layouts kept loaded in the process that hands out cases
WRONG_ENOUGH = 200          # cases that could not be loaded, after which no more are tried
SHARE = ("charge", "forbid", "prices", *(name for name in OPTIONS if name not in ("grid", "lanes")))
"""Keys that first tables do not depend on: cases that differ in them alone are solved one after the other"""

WITHOUT_FILE = ("rules", "ecms", "ecms-adaptive", "default")
_FLAGS = {"--strategy": "strategy", "--quantity": "quantities"}
"""Options of the commands, and the keys they are in a study"""

Tell = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Case:
    """One case: the words it was made from, how it is solved, and the digest of all that determines its result.

    changes : ``KEY=VALUE`` of everything that differs from the layout's file      neighbours : equal where first tables can be shared
    """

    number: int
    layout: str
    cycle: str
    changes: tuple[str, ...]
    how: How
    charge: str | None
    varied: dict[str, Any]
    digest: str
    neighbours: tuple[str, ...]

    @property
    def row(self) -> CaseRow:
        """As the store lists it."""
        return CaseRow(self.number, self.digest, self.layout, self.cycle, self.charge, self.how.grid, self.how.lanes, self.varied)


_shelf = Shelf()        # which reads files again and compares them: nothing on it can be of another day


@lru_cache(maxsize=IN_MEMORY)
def _layout(word: str, changes: tuple[str, ...]) -> Layout:
    return load_layout(word, overrides=changes, shelf=_shelf)


@lru_cache(maxsize=64)
def _strategy(word: str, beside: Path) -> dict[str, str]:
    absolute, digest = with_file(word, beside)
    return {"strategy": absolute, "strategy_digest": digest}


@lru_cache(maxsize=64)
def _cycle(word: str) -> tuple[Cycle, str]:
    cycle = load_cycle(word)
    return cycle, cycle_digest(cycle)


def load_cases(plan: Plan, *, overrides: Sequence[str] = (), tell: Tell | None = None) -> list[Case]:
    """Every case, its layout and cycle loaded and checked, in the order layout, point, cycle.

    overrides : ``KEY=VALUE`` on top of the study's own, as of ``--set``      tell : progress
    Raises ``InputError`` with every mistake, each told once however many cases have it.
    """
    _layout.cache_clear()       # files may have changed since the study before
    _cycle.cache_clear()
    _strategy.cache_clear()
    loading = _Loading(plan, tuple(overrides), numerics_of(plan.solvers), Mistakes())
    for cycle in plan.cycles:
        loading.tried(lambda word=cycle: _cycle(word), {})      # type: ignore[misc]
    cases: list[Case] = []
    for word in plan.layouts:
        for point in plan.points:
            cases += loading.at_point(word, point, len(cases) + 1)
            if tell is not None and len(cases) % 1000 < len(plan.cycles):
                tell(f"checking: {len(cases)} of {plan.case_count} cases")
            if loading.wrong >= WRONG_ENOUGH:
                raise_capped(loading.mistakes)
    raise_capped(loading.mistakes)
    return cases


@dataclass(slots=True)
class _Loading:
    """Loads the cases of a plan one by one and collects what is wrong with them."""

    plan: Plan
    overrides: tuple[str, ...]
    numerics: str
    mistakes: Mistakes
    wrong: int = 0
    told: list[Mistake] = field(default_factory=list)
    fitting: set[tuple[Any, ...]] = field(default_factory=set)

    def at_point(self, word: str, point: Point, number: int) -> list[Case]:
        """The cases of one layout at one point, one a cycle; none when it cannot be loaded."""
        own = tuple(f"{path}={toml_text(value)}" for path, value in point.items() if not is_how(path))
        changes = (*self.plan.changes, *own, *self.overrides)
        layout = self.tried(lambda: _layout(word, changes), point)
        how = self._how(word, point, layout)
        if layout is None or how is None or self.mistakes.found:
            return []
        charge = point.get("charge", self.plan.options.get("charge"))
        varied = {path: shown(value) for path, value in point.items()}
        apart = (word, *(f"{path}={value}" for path, value in varied.items() if path.split(".")[0] not in SHARE))
        return [
            Case(number + i, word, cycle, changes, how, charge, varied,
                 _digest(layout.digest, _cycle(cycle)[1], how, self.plan.solve, self.numerics), (*apart, cycle))
            for i, cycle in enumerate(self.plan.cycles)
        ]

    def _how(self, word: str, point: Point, layout: Layout | None) -> How | None:
        """How a point is solved; None with what is wrong among the mistakes."""
        plan, found = self.plan, Mistakes()
        values = plan.options | {name: value for name, value in point.items() if is_how(name)}

        def key(name: str) -> str:
            return f"vary.{name}" if name in point else name

        check_options(values, key, plan.path.name, found)
        taken = {name: OPTIONS[name].taken(value) for name, value in values.items() if OPTIONS[name].fits(value)}
        if "charge" in taken:
            taken["charge"] = parse_charge(taken["charge"], plan.path.name, found, key=key("charge"))
        if "strategy" in taken:
            self._told_at(key, found, lambda: taken.update(_strategy(taken.pop("strategy"), plan.path.parent)))
        how = How(**taken)
        if layout is not None:
            self._against_layout(word, layout, how, key, found)
        self._add(found.found)
        return None if found.found else how

    def _against_layout(self, word: str, layout: Layout, how: How, key: Callable[[str], str], found: Mistakes) -> None:
        """What a layout must have for the options: charge in its window, cold data, quantities, all that a strategy's file names."""
        if how.charge is not None:
            check_window(how.charge, layout.battery, self.plan.path.name, found, key=key("charge"))
        if how.cold and layout.engine.engine.cold is None:
            found.add(self.plan.path.name, key("cold"), f"engine '{layout.engine.engine.name}' without cold-start data",
                      "an engine whose file has a table [cold]")
        for value, check in ((how.quantities, _check_quantities), (how.strategy, _check_strategy)):
            if (word, value) not in self.fitting:
                self._told_at(key, found, lambda check=check: check(layout, how))   # type: ignore[misc]
                self.fitting.add((word, value))

    def _told_at(self, key: Callable[[str], str], found: Mistakes, work: Callable[[], None]) -> None:
        """Do it; a mistake in an option of a command is told at the study's key of the same name."""
        try:
            work()
        except InputError as error:
            found.found += [dataclasses.replace(m, where=self.plan.path.name, key=key(_FLAGS[m.where])) if m.where in _FLAGS else m
                            for m in error.mistakes]

    def tried(self, load: Callable[[], Any], point: Point) -> Any:
        """What could be loaded, or None."""
        try:
            return load()
        except InputError as error:
            self.wrong += 1
            self._add([self._at_study(m, point) for m in error.mistakes], point)
            return None

    def _at_study(self, mistake: Mistake, point: Point) -> Mistake:
        """A mistake in a value of the study's is told there; one from ``--set`` stays where it is."""
        if mistake.where == "--cycle":
            return dataclasses.replace(mistake, where=self.plan.path.name, key="cycles")
        if mistake.where == "LAYOUT":
            return dataclasses.replace(mistake, where=self.plan.path.name, key="layouts")
        if mistake.where != OPTION:
            return mistake
        for table, paths in (("vary", list(point)), ("set", [c.partition("=")[0] for c in self.plan.changes])):
            if any(mistake.key == path or mistake.key.startswith(f"{path}.") for path in paths):
                return dataclasses.replace(mistake, where=self.plan.path.name, key=f"{table}.{mistake.key}")
        return mistake

    def _add(self, mistakes: Iterable[Mistake], point: Point | None = None) -> None:
        """Each mistake once, at the first point that has it; one in another file than the study's says which point that is."""
        for mistake in mistakes:
            if mistake in self.told:
                continue
            self.told.append(mistake)
            elsewhere = point and mistake.where not in (self.plan.path.name, OPTION)
            values = ", ".join(f"{path} = {toml_text(value)}" for path, value in (point or {}).items())
            self.mistakes.found.append(dataclasses.replace(mistake, found=f"{mistake.found} (with {values})") if elsewhere else mistake)


def _check_quantities(layout: Layout, how: How) -> None:
    from ems.judge.sensitivity import chosen_levers

    chosen_levers(layout, how.quantities)


def _check_strategy(layout: Layout, how: How) -> None:
    """A strategy's word and file; those without a file are derived from whatever layout there is."""
    if how.strategy not in WITHOUT_FILE:
        from ems.strategies.load import load_strategy

        load_strategy(how.strategy, layout)


def _digest(layout: str, cycle: str, how: How, solve: tuple[str, ...], numerics: str) -> str:
    """sha256, cut to 128 bits, of all that determines a result: layout with its maps, cycle, how and what is solved, arithmetic."""
    text = "\0".join([DIGEST, layout, cycle, repr(how), ",".join(solve), numerics])
    return hashlib.sha256(text.encode()).hexdigest()[:DIGITS]


def task_of(case: Case, plan: Plan) -> Task:
    """Everything a worker needs; the layout is loaded anew unless it still is in memory.

    Raises ``RunError`` when its files say something else than when the case was checked.
    """
    layout, (cycle, digest_of_cycle) = _layout(case.layout, case.changes), _cycle(case.cycle)
    if _digest(layout.digest, digest_of_cycle, case.how, plan.solve, numerics_of(plan.solvers)) != case.digest:
        raise RunError(f"files of {case.layout} or {case.cycle} were changed while the study ran; start the same command again")
    return Task(case.digest, layout, cycle, case.how, plan.solvers, plan.columns, plan.trace)


def neighbours_together(cases: Iterable[Case]) -> list[Case]:
    """Cases in an order in which those that can share first tables follow each other."""
    groups: dict[tuple[str, ...], list[Case]] = {}
    for case in cases:
        groups.setdefault(case.neighbours, []).append(case)
    return [case for group in groups.values() for case in group]


def sources(cases: Sequence[Case]) -> dict[str, dict[str, str]]:
    """Where the data of every layout and cycle come from."""
    from ems.layout.listing import layout_sources

    first = {case.layout: case for case in reversed(cases)}
    return {**{word: layout_sources(_layout(word, case.changes)) for word, case in first.items()},
            "cycles": {word: _cycle(word)[0].source for word in dict.fromkeys(case.cycle for case in cases)}}


def cycle_warnings(plan: Plan) -> list[str]:
    """What looks wrong with the cycles but may be right."""
    return [f"{word}: {warning}" for word in plan.cycles for warning in _cycle(word)[0].warnings]
