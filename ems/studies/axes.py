"""What a study varies: lists, ranges and samples of values, in exact decimals.

A value is what TOML would give: text, a whole number, a ``Decimal``, a list, a table. Points of a range and of a sample are
rounded to a fixed number of digits, so that the table of results shows exactly what was solved.
"""

from __future__ import annotations

import itertools
import json
import re
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from ems.errors import Mistakes
from ems.inputfile import in_words

RANGE_DIGITS = 12       # significant digits of a range's points
SAMPLE_DIGITS = 6       # of a sample's
LARGEST_AXIS = 100_000
LARGEST_END, LEAST_STEP = Decimal("1e15"), Decimal("1e-12")
FORMS = "a list of values, { from = A, to = B, steps = N } or { from = A, to = B, step = S }"


@dataclass(frozen=True, slots=True)
class Axis:
    """One key that is varied.

    path : dotted path of a key of the layout, or ``charge``, ``grid``, ``lanes``
    values : every value of a list or of a divided range; empty for a range that a sample divides as it likes
    low, high : ends of a range; None for a list
    """

    path: str
    values: tuple[Any, ...]
    low: Decimal | None = None
    high: Decimal | None = None

    def at(self, share: float) -> Any:
        """The value at a share of the axis, 0 <= share < 1: of the range, or of the list."""
        if self.values or self.low is None or self.high is None:
            return self.values[min(int(share * len(self.values)), len(self.values) - 1)]
        return rounded(self.low + (self.high - self.low) * Decimal(share), SAMPLE_DIGITS)


def axes_of(table: Mapping[str, Any], where: str, mistakes: Mistakes, *, divided: bool) -> tuple[Axis, ...]:
    """The axes of a ``[vary]`` table; keys may be quoted paths or nested tables.

    divided : whether every range must say its steps (a full grid) or none needs to (a sample)
    """
    found = list(flattened(table))
    paths = [path for path, _ in found]
    for path in dict.fromkeys(paths):
        if paths.count(path) > 1:
            mistakes.add(where, f"vary.{path}", "the same key twice, quoted and not", "each key once")
    return tuple(axis for path, value in found if (axis := _axis(path, value, where, mistakes, divided)) is not None)


def flattened(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, Any]]:
    """(dotted path, value) of everything in nested tables; a range is a value."""
    for key, value in table.items():
        part = key if prefix == "" or re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)
        path = f"{prefix}.{part}" if prefix else part
        if isinstance(value, Mapping) and value and not _is_range(value):
            yield from flattened(value, path)
        else:
            yield path, value


def _is_number(value: object) -> bool:
    return isinstance(value, int | Decimal) and not isinstance(value, bool) and Decimal(value).is_finite()


def _is_range(value: Mapping[str, Any]) -> bool:
    return _is_number(value.get("from")) and _is_number(value.get("to"))


def _axis(path: str, value: Any, where: str, mistakes: Mistakes, divided: bool) -> Axis | None:
    key = f"vary.{path}"
    if isinstance(value, list):
        repeats = [v for i, v in enumerate(value) if v in value[:i]]
        if not value or repeats:
            found = f"{in_words(repeats[0])} twice" if repeats else "an empty list"
            mistakes.add(where, key, found, "at least one value, each once")
            return None
        return Axis(path, tuple(value))
    if not isinstance(value, Mapping) or not _is_range(value):
        mistakes.add(where, key, in_words(value), FORMS)
        return None
    return _range(path, value, where, mistakes, divided)


def _range(path: str, value: Mapping[str, Any], where: str, mistakes: Mistakes, divided: bool) -> Axis | None:
    key, low, high = f"vary.{path}", Decimal(value["from"]), Decimal(value["to"])
    unknown = set(value) - {"from", "to", "steps", "step"}
    steps, step = value.get("steps"), value.get("step")
    ways = [w for w in (steps, step) if w is not None]
    wrong = ((unknown, f"the key {', '.join(sorted(unknown))}", FORMS),
             (max(abs(low), abs(high)) > LARGEST_END, f"from {low:g} to {high:g}", f"ends of at most {LARGEST_END:g} in size"),
             (low >= high, f"from {low} to {high}", "an end above the start"),
             (len(ways) == 2, "both steps and step", "one of them"),
             (divided and not ways, "a range without steps", f"{FORMS}; only a sample divides a range by itself"),
             (steps is not None and not (type(steps) is int and 2 <= steps <= LARGEST_AXIS), f"steps = {in_words(steps)}",
              f"a whole number from 2 to {LARGEST_AXIS}, both ends counted"),
             (step is not None and not (_is_number(step) and Decimal(step) >= LEAST_STEP), f"step = {in_words(step)}",
              f"a number of at least {LEAST_STEP:g}"))
    told = [(found, expected) for bad, found, expected in wrong if bad]
    if not told and step is not None and (high - low) / Decimal(step) > LARGEST_AXIS:
        told.append((f"step = {step}", f"at most {LARGEST_AXIS} steps from {low} to {high}"))
    for found, expected in told:
        mistakes.add(where, key, found, expected)
    return None if told else Axis(path, tuple(_points(low, high, steps, step)), low, high)


def _points(low: Decimal, high: Decimal, steps: int | None, step: int | Decimal | None) -> Iterator[Decimal]:
    """The points of a range, exact decimals: both ends with ``steps``; as many as fit with ``step``."""
    if steps is not None:
        yield from (rounded(low + (high - low) * i / (steps - 1), RANGE_DIGITS) for i in range(steps))
    elif step is not None:
        yield from (low + Decimal(step) * i for i in range(int((high - low) / Decimal(step)) + 1))


def rounded(value: Decimal, digits: int) -> Decimal:
    """The value with so many significant digits and no zeros behind; never in exponents."""
    short = Decimal(f"{value:.{digits}g}").normalize()
    return Decimal(f"{short:f}")


Point = dict[str, Any]
"""Path -> value of one combination."""


def grid_points(axes: Sequence[Axis]) -> Iterator[Point]:
    """Every combination, the last axis fastest."""
    for values in itertools.product(*(axis.values for axis in axes)):
        yield {axis.path: value for axis, value in zip(axes, values, strict=True)}


def sample_points(axes: Sequence[Axis], method: str, count: int, seed: int) -> Iterator[Point]:
    """A Latin hypercube or a scrambled Sobol sequence over the axes, by scipy; the same for the same seed and scipy."""
    from scipy.stats import qmc

    engine = {"latin-hypercube": qmc.LatinHypercube, "sobol": qmc.Sobol}[method](len(axes), seed=seed)
    with warnings.catch_warnings():     # a Sobol sequence cut short of a power of two is less even, and may be wanted
        warnings.simplefilter("ignore", UserWarning)
        shares = engine.random(count)
    for row in shares:
        yield {axis.path: axis.at(float(share)) for axis, share in zip(axes, row, strict=True)}


def toml_text(value: Any) -> str:
    """A value as TOML writes it on one line, so that ``--set`` and a study mean the same."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{json.dumps(k)} = {toml_text(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(toml_text, value)) + "]"
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)


def shown(value: Any) -> Any:
    """A value as the table of results holds it: a number, text, true or false; lists and tables as TOML text."""
    if isinstance(value, Decimal):
        return float(value)
    return toml_text(value) if isinstance(value, list | tuple | Mapping) else value
