"""A tuned calibration, judged: the same cycles and unseen ones, against the optimum that ends with the same charge.

Beside it stand the calibration it began from, the one fitted to the optimum, the best of random ones, and the instantaneous
minimisation (ECMS) with its payback time tuned and its constant found anew on every cycle, which no controller can do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ems.errors import CycleNotFollowed, Mistakes, RunError
from ems.judge.gap import Judged, References, judged
from ems.layout.load import load_layout
from ems.solve.clock import Progress
from ems.strategies.calibration import Calibration, parameters
from ems.strategies.course import Course, course_of
from ems.strategies.ecms import FIRST_CONSTANT, Ecms
from ems.strategies.fit import fitted
from ems.strategies.protocol import Strategy
from ems.strategies.ranges import Range, calibrated, hysteresis_of, ranges
from ems.strategies.roads import AS_IT_IS, road, roads
from ems.strategies.rules import Rules, load_rules
from ems.strategies.simulate import Driven, drive
from ems.strategies.trip import Trip, trip_of
from ems.strategies.tune import (
    NO_CAPS,
    RANDOM,
    TRAINED,
    UNSEEN,
    Evaluator,
    Found,
    Task,
    best_of_random,
    cost_of,
    search,
    workers,
)
from ems.trips.cycle import Cycle, load_cycle

if TYPE_CHECKING:
    from ems.layout.model import Layout
    from ems.solve.optimum import Optimum

PAYBACKS = (2.0, 4.0, 8.0, 16.0)   # seconds, of the ECMS it is compared with


@dataclass(frozen=True, slots=True, eq=False)
class Tuning:
    """What a tuning found.

    judged : name of a candidate -> its cycles; ``first``, ``fitted``, ``random``, ``tuned``, ``ecms``
    trained, unseen : names of cycles     roads : (cycle, road) looked at while tuning, the cycles themselves first of theirs
    searched : parameters and their ranges     first, calibration : the one begun from, and the tuned one
    caps : most engine starts and most changes of configuration per kilometre that were asked for
    """

    layout: str
    trained: tuple[str, ...]
    unseen: tuple[str, ...]
    roads: tuple[tuple[str, str], ...]
    searched: tuple[Range, ...]
    first: Calibration
    calibration: Calibration
    judged: dict[str, tuple[Judged, ...]]
    evaluations: int
    seed: int
    notes: tuple[str, ...] = field(default=())
    caps: tuple[float, float] = NO_CAPS

    def gap(self, candidate: str, cycles: Sequence[str]) -> tuple[float, float] | None:
        """(mean, worst) gap of a candidate over cycles [%]; None where it was driven on none of them."""
        gaps = [j.gap_percent for j in self.judged.get(candidate, ()) if j.cycle in cycles]
        return (sum(gaps) / len(gaps), max(gaps)) if gaps else None

    def to_dict(self) -> dict[str, Any]:
        """All of it as plain values."""
        gaps = {name: {part: dict(zip(("mean_percent", "worst_percent"), g, strict=True)) if (g := self.gap(name, cycles)) else None
                       for part, cycles in (("trained", self.trained), ("unseen", self.unseen))} for name in self.judged}
        values = {r.name: _value(self.calibration, r.name) for r in self.searched}
        begun = {r.name: _value(self.first, r.name) for r in self.searched}
        return {"layout": self.layout, "trained": list(self.trained), "unseen": list(self.unseen),
                "roads": [dict(zip(("cycle", "road"), r, strict=True)) for r in self.roads], "evaluations": self.evaluations,
                "seed": self.seed, "caps": dict(zip(("starts_per_km", "changes_per_km"), self.caps, strict=True)), "gaps": gaps,
                "parameters": [asdict(r) | {"first": begun[r.name], "tuned": values[r.name]} for r in self.searched],
                "judged": {name: [asdict(j) for j in rows] for name, rows in self.judged.items()}, "notes": list(self.notes)}


def _value(calibration: Calibration, name: str) -> float:
    return next(p.value for p in parameters(calibration) if p.name == name)


def tune(layout: str, cycles: Sequence[str] = TRAINED, *, file: str | None = None, unseen: Sequence[str] = UNSEEN,
         names: Sequence[str] = (), overrides: Sequence[str] = (), caps: tuple[float, float] = NO_CAPS, plain: bool = False,
         evaluations: int = 600, random: int = RANDOM, seed: int = 1, processes: int = 1, journal: Path | None = None, ecms: bool = True,
         progress: Progress | None = None) -> Tuning:
    """Tune the rules of a layout on some cycles and judge them there and on unseen ones.

    layout, cycles, unseen : words, as on the command line; unseen cycles among ``cycles`` are left out
    file : calibration to begin from; the layout's default when None      names : parameters to tune; those that matter when empty
    caps : most engine starts and most changes of configuration per kilometre
    plain : tune on the cycles alone, not on their phases and over hills (see ``ems.strategies.roads``)
    evaluations, random : calibrations looked at by the search, and by chance      journal : file that a stopped run goes on from
    overrides : as of ``--set``      processes : that look at calibrations side by side; the result does not depend on it
    ecms : whether to compare with tuned ECMS      progress : called with a few words at every step
    Raises ``InputError``, ``CycleNotFollowed``, ``RunError``.
    """
    say = progress or (lambda _text: None)
    loaded, first, driven = _read(layout, overrides, file, names, dict.fromkeys(cycles, "--cycle") | {
        word: "--unseen" for word in unseen if word not in cycles})
    courses = _courses_of(loaded, driven)
    notes: list[str] = []
    found = _trips(loaded, {c: courses[c] for c in cycles}, plain, notes, say)
    trips = tuple(trip for trip, _ in found)
    start = _start(first, fitted(first, courses[cycles[0]].plant, [best.trace for _, best in found]), names)
    searched = ranges(start, names)
    task = Task(layout, tuple(overrides), trips, start.model_dump_json(), caps, hysteresis_of(start))
    with workers(processes) as mapper:
        evaluator = Evaluator(task, searched, journal, mapper, say)
        chance = best_of_random(evaluator, seed, random) if random else None
        best = _best_of(search(evaluator, seed, evaluations), chance, evaluator, first, start, searched)
    candidates = _candidates(courses[cycles[0]], first, start, chance, best, task)
    say("optima at the charges the strategies end with")
    held = {name: _judge(name, loaded, courses, make, notes) for name, make in candidates.items()}
    if ecms:
        say("instantaneous minimisation, payback tuned")
        held["ecms"] = _judge("ecms", loaded, courses, _ecms(loaded, courses, trips), notes)
    tuned = calibrated(start, best.values, task.hysteresis).model_copy(
        update={"title": f"{loaded.title}: tuned on {', '.join(cycles)}", "layout": loaded.name})
    notes += [*above_caps(held["tuned"], caps), *_lost(held, [c for c in courses if c not in cycles])]
    notes += [f"{word} is tuned on, so it is not among the unseen." for word in unseen if word in cycles]
    return Tuning(loaded.name, tuple(cycles), tuple(c for c in courses if c not in cycles), tuple((t.cycle, t.road) for t in trips),
                  tuple(searched), first, tuned, held, best.evaluations, seed, tuple(notes), caps)


def _trips(layout: Layout, courses: Mapping[str, Course], plain: bool, notes: list[str], say: Progress) -> list[tuple[Trip, Optimum]]:
    """The roads of the cycles to tune on, each with its optimum; one that cannot be followed is left out and noted, but no cycle is."""
    found = []
    for word, course in courses.items():
        for name in (AS_IT_IS,) if plain else roads(course.cycle):
            say(f"optima of {word} {name}".rstrip())
            try:
                on_it = course if name == AS_IT_IS else course_of(layout, road(course.cycle, name), course.plant)
                found.append(trip_of(layout, on_it, word, name))
            except (RunError, CycleNotFollowed) as error:
                if name == AS_IT_IS:
                    raise
                notes.append(f"Not tuned on {word} {name}: {error}")
    return found


def above_caps(judged: Sequence[Judged], caps: tuple[float, float]) -> list[str]:
    """Where a calibration starts or changes more often than it was to: the search prices what is beyond a cap, it forbids nothing."""
    told = []
    kinds = (("starts", caps[0], [j.starts_per_km for j in judged]), ("changes", caps[1], [j.changes_per_km for j in judged]))
    for what, cap, counts in kinds:
        above = [f"{n:.2f} on {j.cycle}" for j, n in zip(judged, counts, strict=True) if n > cap]
        if above:
            told.append(f"The cap of {cap:g} {what} a kilometre is not kept: {', '.join(above)}. "
                        "More --evaluations may find what keeps it.")
    return told


def _read(layout: str, overrides: Sequence[str], file: str | None, names: Sequence[str],
          words: Mapping[str, str]) -> tuple[Layout, Calibration, dict[str, Cycle]]:
    """Layout, calibration and cycles, whose words come with the option they stood in; every mistake in any of them at once."""
    mistakes = Mistakes()
    cycles = {word: mistakes.tried(partial(load_cycle, word, where=option)) for word, option in words.items()}
    loaded = mistakes.tried(lambda: load_layout(layout, overrides=overrides))
    first = mistakes.tried(lambda: load_rules(loaded, file).calibration) if loaded is not None else None
    if first is not None:
        mistakes.tried(lambda: ranges(first, names))
    mistakes.raise_if_any()
    assert loaded is not None and first is not None
    return loaded, first, {word: cycle for word, cycle in cycles.items() if cycle is not None}


def _start(first: Calibration, fit: Calibration, names: Sequence[str]) -> Calibration:
    """The fitted calibration; where parameters are named, the one begun from with only these fitted: what is not asked for stays."""
    return calibrated(first, {name: _value(fit, name) for name in names}, hysteresis_of(first)) if names else fit


def _courses_of(layout: Layout, cycles: Mapping[str, Cycle]) -> dict[str, Course]:
    made: dict[str, Course] = {}
    for word, cycle in cycles.items():
        made[word] = course_of(layout, cycle, next(iter(made.values())).plant if made else None)
    return made


def _best_of(found: Found, chance: Found | None, evaluator: Evaluator, first: Calibration, start: Calibration,
             searched: Sequence[Range]) -> Found:
    """The search's result; or a random one, or the calibrations begun from put into the same parameters, should they be better."""
    begun = [{r.name: _value(calibration, r.name) for r in searched} for calibration in (first, start)]
    evaluator.start("calibrations begun from")
    costs = evaluator.costs([np.array(list(values.values())) for values in begun])
    others = [Found(values, cost, found.evaluations) for values, cost in zip(begun, costs, strict=True)]
    best = min([found, *others, *([chance] if chance is not None else [])], key=lambda f: f.cost)
    return replace(best, evaluations=found.evaluations)


def _lost(held: Mapping[str, Sequence[Judged]], unseen: Sequence[str]) -> list[str]:
    """A sentence where the tuned calibration is worse on the unseen cycles, in the mean of those both drive, than the one begun from."""
    gaps = {name: {j.cycle: j.gap_percent for j in held[name] if j.cycle in unseen} for name in ("first", "tuned")}
    both = sorted(set(gaps["first"]) & set(gaps["tuned"]))
    more = sum(gaps["tuned"][c] - gaps["first"][c] for c in both) / len(both) if both else 0.0
    return [f"On the unseen cycles the tuned calibration loses {more:.2f} % against the one it began from."] if more > 0.005 else []


def _candidates(course: Course, first: Calibration, start: Calibration, chance: Found | None, best: Found,
                task: Task) -> Mapping[str, Callable[[Course], Strategy]]:
    """Name -> what makes the strategy for a course."""
    calibrations = {"first": first, "fitted": start}
    if chance is not None:
        calibrations["random"] = calibrated(start, chance.values, task.hysteresis)
    calibrations["tuned"] = calibrated(start, best.values, task.hysteresis)
    return {name: (lambda c, calibration=calibration: Rules(c.undivided, calibration, name="rules"))  # type: ignore[misc]
            for name, calibration in calibrations.items()}


def _judge(name: str, layout: Layout, courses: Mapping[str, Course], make: Callable[[Course], Strategy],
           notes: list[str]) -> tuple[Judged, ...]:
    """A candidate on every cycle against the optimum with its charge at the end; a cycle it cannot drive is left out and noted."""
    found = []
    for word, course in courses.items():
        try:
            driven = drive(course, make(course), course.energy_J(layout.battery.soc_target))
            found.append(judged(References(layout, course), driven, word))
        except RunError as error:
            notes.append(f"{name} on {word}: {error}")
    return tuple(found)


def _ecms(layout: Layout, courses: Mapping[str, Course], trips: Sequence[Trip]) -> Callable[[Course], Strategy]:
    """ECMS of the payback that is best in the mean over the trained cycles, its constant found on each cycle."""
    target = layout.battery.soc_target
    costs = {payback: sum(cost_of(_sustained(courses[t.cycle], target, payback)[1], courses[t.cycle], t) for t in trips
                          if t.road == AS_IT_IS)
             for payback in PAYBACKS}
    payback = min(costs, key=lambda p: costs[p])
    return lambda course: _sustained(course, target, payback)[0]


def _sustained(course: Course, soc: float, payback_s: float) -> tuple[Ecms, Driven]:
    """ECMS with the constant that sustains the charge on a course, and its trip."""
    energy = course.energy_J(soc)
    try:
        found = Ecms(payback_s=payback_s).prepare(course, energy, energy)
    except RunError:
        found = Ecms(constant=FIRST_CONSTANT, payback_s=payback_s)
    return found, drive(course, found, energy)


