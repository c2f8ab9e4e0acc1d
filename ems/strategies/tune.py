"""Tuning of the rules: any subset of a calibration's parameters, several cycles, least fuel at equal charge, caps on changes.

The cost of a calibration on a road (see ``roads``) is its objective over the least that ends with the same charge (see ``trip``); a charge
at the end further than ``FREE_CHARGE`` from the target costs extra, for a trip goes on, and so does every start and change beyond the caps.
The mean over the roads is minimised by an evolution strategy that adapts its covariance (Hansen and Ostermeier, Evolutionary Computation 9,
2001; the package cma), whole populations at a time, so that the result does not depend on the number of workers.

Every evaluation may be written to a journal; a run that is started again with it finds them there and goes on.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from ems.errors import InputError, RunError
from ems.numerics import numerics_version
from ems.solve.clock import Progress
from ems.strategies.calibration import Calibration
from ems.strategies.course import Course, course_of
from ems.strategies.ranges import Range, calibrated
from ems.strategies.roads import road
from ems.strategies.rules import Rules
from ems.strategies.simulate import Driven, drive
from ems.strategies.trip import SMALLEST_G, Trip
from ems.types import Array

NO_CAPS = (math.inf, math.inf)                      # most engine starts, and most changes of configuration, a kilometre
UNSEEN = ("hill-town", "udds", "hwfet", "wltc-2")   # fixed before anything was tuned; never tuned on by default
TRAINED = ("wltc-3b", "nedc", "us06")
FREE_CHARGE = 0.15          # charge at the end, from the target, that costs no more than the optimum needs for it
CHARGE_WEIGHT = 4.0         # cost of the square of what is beyond
CAP_WEIGHT = 0.02           # cost of one start or change a kilometre beyond its cap
FAILED = 10.0               # cost of a calibration that cannot drive a cycle, or is none
RANDOM = 200
STEP = 0.2                  # of a range: how far from the start the search looks first
DIGITS = 6                  # of a parameter, in the journal
USES = ("kernels", "components", "layout", "trips", "configurations", "plant", "tables", "solve", "strategies")     # what costs come from


@dataclass(frozen=True, slots=True)
class Task:
    """All a worker needs to know: layout, overrides, trips, the calibration that is changed, caps per kilometre."""

    layout: str
    overrides: tuple[str, ...]
    trips: tuple[Trip, ...]
    calibration: str
    caps: tuple[float, float] = NO_CAPS
    hysteresis: Mapping[str, float] = field(default_factory=dict)


# -- one evaluation ------------------------------------------------------------------------------------------------------


@cache
def _courses(layout: str, overrides: tuple[str, ...], wanted: tuple[tuple[str, str], ...]) -> tuple[Course, ...]:
    """Courses of a worker, (cycle, road) each, made once a process."""
    from ems.layout.load import load_layout
    from ems.trips.cycle import load_cycle

    made: list[Course] = []
    loaded = load_layout(layout, overrides=overrides)
    for cycle, name in wanted:
        made.append(course_of(loaded, road(load_cycle(cycle), name), made[0].plant if made else None))
    return tuple(made)


def cost_of(driven: Driven, course: Course, trip: Trip, caps: tuple[float, float] = NO_CAPS) -> float:
    """Cost of a driven trip over the optimum's objective, as the module's text says."""
    end_J = float(driven.energy_J[-1])
    least_g = trip.least_at_g(end_J)
    cost = 1.0 + (driven.objective_g - least_g) / max(least_g, SMALLEST_G)
    cost += CHARGE_WEIGHT * max(abs(course.soc(end_J) - course.plant.layout.battery.soc_target) - FREE_CHARGE, 0.0) ** 2
    for count, cap in zip((driven.engine_starts, driven.configuration_changes), caps, strict=True):
        cost += CAP_WEIGHT * max(count / trip.km - cap, 0.0)
    return cost


def evaluate(task: Task, values: tuple[tuple[str, float], ...]) -> float:
    """Mean cost of a calibration with these values over the trips of a task."""
    courses = _courses(task.layout, task.overrides, tuple((t.cycle, t.road) for t in task.trips))
    calibration = Calibration.model_validate_json(task.calibration)
    total = 0.0
    for course, trip in zip(courses, task.trips, strict=True):
        try:
            rules = Rules(course.undivided, calibrated(calibration, dict(values), task.hysteresis))
            total += cost_of(drive(course, rules, course.energy_J(course.plant.layout.battery.soc_target)), course, trip, task.caps)
        except (RunError, InputError):      # stuck, or values that contradict one another
            total += FAILED
    return total / len(task.trips)


# -- many evaluations ----------------------------------------------------------------------------------------------------


class Evaluator:
    """Costs of many calibrations, on several processes, remembered in a journal; called with vectors of the ranges' parameters."""

    def __init__(self, task: Task, searched: Sequence[Range], journal: Path | None, mapper: Callable[..., Iterable[float]],
                 say: Progress) -> None:
        self.task, self.searched, self.journal, self.mapper, self.say = task, searched, journal, mapper, say
        self.digest = _digest(task, searched)
        self.known: dict[tuple[float, ...], float] = _read_journal(journal, self.digest)
        _end_last_line(journal)
        self.count, self.best, self.stage = 0, math.inf, ""

    def start(self, stage: str) -> None:
        """A new stage: what is said counts from here."""
        self.count, self.best, self.stage = 0, math.inf, stage

    def key(self, vector: Array) -> tuple[float, ...]:
        """A vector as it is remembered."""
        return tuple(float(f"{x:.{DIGITS}g}") for x in vector)

    def costs(self, vectors: Sequence[Array]) -> list[float]:
        """Costs of vectors, those that are not known in parallel."""
        keys = [self.key(v) for v in vectors]
        new = [k for k in dict.fromkeys(keys) if k not in self.known]
        names = [r.name for r in self.searched]
        found = self.mapper(_evaluate_pair, [(self.task, tuple(zip(names, k, strict=True))) for k in new])
        for k, cost in zip(new, found, strict=True):
            self.known[k] = cost
            _append(self.journal, self.digest, k, cost)
        self.count += len(keys)
        costs = [self.known[k] for k in keys]
        self.best = min([self.best, *costs])
        self.say(f"{self.stage}: {self.count} looked at, mean cost of the best {100 * (self.best - 1):.2f} % over the roads, caps included")
        return costs


def _evaluate_pair(pair: tuple[Task, tuple[tuple[str, float], ...]]) -> float:
    return evaluate(*pair)


def _digest(task: Task, searched: Sequence[Range]) -> str:
    """Of everything that a cost depends on, the program's sources among it: a journal of other costs is not gone on from."""
    import hashlib

    words = repr((numerics_version(USES), task.layout, task.overrides, task.trips, task.calibration, task.caps, [r.name for r in searched]))
    return hashlib.sha256(words.encode()).hexdigest()[:16]


def _read_journal(path: Path | None, digest: str) -> dict[tuple[float, ...], float]:
    """Evaluations of the same task; a last line that was cut short is left out."""
    known: dict[tuple[float, ...], float] = {}
    if path is None or not path.is_file():
        return known
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            row = json.loads(line)
        except ValueError:
            continue
        if isinstance(row, dict) and row.get("task") == digest:
            known[tuple(row["values"])] = float(row["cost"])
    return known


def _end_last_line(path: Path | None) -> None:
    """A last line that was cut short is ended, so that the next begins anew."""
    if path is not None and path.is_file() and (content := path.read_bytes()) and not content.endswith(b"\n"):
        with path.open("ab") as file:
            file.write(b"\n")


def _append(path: Path | None, digest: str, key: tuple[float, ...], cost: float) -> None:
    if path is not None:
        with path.open("a", encoding="utf-8") as file:
            file.write(json.dumps({"task": digest, "values": list(key), "cost": cost}) + "\n")


@contextmanager
def workers(count: int) -> Iterator[Callable[..., Iterable[float]]]:
    """A ``map`` over that many processes with one thread each, or over none but this one."""
    if count <= 1:
        yield map
        return
    before = os.environ.get("NUMBA_NUM_THREADS")
    os.environ["NUMBA_NUM_THREADS"] = "1"
    try:
        with ProcessPoolExecutor(count, mp_context=get_context("forkserver")) as pool:
            yield pool.map
    finally:
        if before is None:
            os.environ.pop("NUMBA_NUM_THREADS", None)
        else:
            os.environ["NUMBA_NUM_THREADS"] = before


@dataclass(frozen=True, slots=True)
class Found:
    """Result of a search: values by name, their cost, how many calibrations were looked at."""

    values: dict[str, float]
    cost: float
    evaluations: int


def search(evaluator: Evaluator, seed: int, evaluations: int) -> Found:
    """Evolution strategy with covariance matrix adaptation from the start, inside the ranges."""
    import cma

    evaluator.start("search")
    searched = evaluator.searched
    low, span = np.array([r.low for r in searched]), np.array([r.high - r.low for r in searched])
    start = (np.array([r.start for r in searched]) - low) / span
    best, cost = start, evaluator.costs([low + start * span])[0]
    size = min(4 + int(3.0 * math.log(start.size)), evaluations - evaluator.count)
    if size < 2:
        return _found(evaluator, low + start * span, cost)
    strategy = cma.CMAEvolutionStrategy(start, STEP, {"bounds": [0.0, 1.0], "seed": seed + 1, "popsize": size, "verbose": -9})
    while evaluator.count + size <= evaluations and not strategy.stop():
        asked = strategy.ask()
        costs = evaluator.costs([low + x * span for x in asked])
        strategy.tell(asked, costs)
        if min(costs) < cost:
            best, cost = asked[int(np.argmin(costs))], min(costs)
    return _found(evaluator, low + best * span, cost)


def _found(evaluator: Evaluator, vector: Array, cost: float) -> Found:
    values = evaluator.key(vector)
    return Found({r.name: x for r, x in zip(evaluator.searched, values, strict=True)}, cost, evaluator.count)


def best_of_random(evaluator: Evaluator, seed: int, count: int = RANDOM) -> Found:
    """The best of calibrations drawn evenly from the ranges."""
    evaluator.start("random calibrations")
    draw = np.random.default_rng(seed)
    low, high = np.array([r.low for r in evaluator.searched]), np.array([r.high for r in evaluator.searched])
    vectors = [low + draw.random(low.size) * (high - low) for _ in range(count)]
    costs = evaluator.costs(vectors)
    best = int(np.argmin(costs))
    return _found(evaluator, vectors[best], costs[best])
