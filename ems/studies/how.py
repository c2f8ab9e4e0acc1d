"""How a case is solved: options of the commands, which a study sets for all cases or varies like a key of the layout."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from ems.errors import InputError, Mistake, Mistakes, RunError
from ems.inputfile import in_words
from ems.solve.charge import CHARGE_FORM

STRATEGY_FORM = "rules, rules:FILE, ecms, ecms-adaptive or replay:FILE (no code: a study runs none)"


@dataclass(frozen=True, slots=True)
class How:
    """The options of a case, as the commands of the same names have them.

    charge : (start, end) state of charge, None for sustaining      grid : factor of table points      lanes : None for the usual ones
    dwell, engine_on, engine_off : least times [s]      cold : the engine starts cold      gap : certified gap to come down to [%]
    strategy : word of the strategy, paths absolute      strategy_digest : of its file's content, empty without one
    grip : of the tyres, None for the vehicle's      quantities : of a sensitivity, all when empty
    costate_only : sensitivity by the costate alone
    """

    charge: tuple[float, float] | None = None
    grid: int = 1
    lanes: int | None = None
    dwell: float = 0.0
    engine_on: float = 0.0
    engine_off: float = 0.0
    cold: bool = False
    gap: float | None = None
    strategy: str = "rules"
    strategy_digest: str = ""
    grip: float | None = None
    quantities: tuple[str, ...] = ()
    costate_only: bool = False


@dataclass(frozen=True, slots=True)
class Option:
    """One option: what it means, what may stand there in words and as a test, and how a fitting value is taken."""

    meaning: str
    expected: str
    fits: Callable[[Any], bool]
    taken: Callable[[Any], Any]
    low: float | None = None
    high: float | None = None


def _is_number(value: object) -> bool:
    return isinstance(value, int | float | Decimal) and not isinstance(value, bool) and Decimal(value).is_finite()


def _whole(meaning: str, low: int, high: int) -> Option:
    def fits(value: Any) -> bool:
        return _is_number(value) and value == int(value) and low <= value <= high

    return Option(meaning, f"a whole number from {low} to {high}", fits, int, low, high)


def _number(meaning: str, low: float, high: float) -> Option:
    return Option(meaning, f"a number from {low:g} to {high:g}", lambda v: _is_number(v) and low <= float(v) <= high, float, low, high)


def _flag(meaning: str) -> Option:
    return Option(meaning, "true or false", lambda v: isinstance(v, bool), bool)


OPTIONS: dict[str, Option] = {
    "charge": Option("START:END state of charge; sustaining when omitted", CHARGE_FORM, lambda v: isinstance(v, str), str),
    "grid": _whole("times as many table points on every axis", 1, 16),
    "lanes": _whole("lanes of the free engine speed", 1, 64),
    "dwell": _number("least time in a configuration [s]", 0.0, 6.0),
    "engine_on": _number("least time the engine turns [s]", 0.0, 20.0),
    "engine_off": _number("least time the engine stands [s]", 0.0, 20.0),
    "cold": _flag("whether the engine starts cold"),
    "gap": _number("certified gap to come down to [%]", 0.0001, 10.0),
    "strategy": Option("strategy that is driven", STRATEGY_FORM, lambda v: isinstance(v, str), str),
    "grip": _number("coefficient of friction of the tyres", 0.05, 2.0),
    "quantities": Option("quantities of a sensitivity, or their beginnings", "a list of names, as [\"gears\", \"vehicle.mass_kg\"]",
                         lambda v: isinstance(v, list) and all(isinstance(name, str) for name in v), tuple),
    "costate_only": _flag("sensitivity by the costate alone"),
}
"""name of a key -> option; limits are those of the commands"""


def check_options(given: Mapping[str, Any], key_of: Callable[[str], str], where: str, mistakes: Mistakes) -> None:
    """What is wrong with the values of options, each told at ``where`` and its key."""
    for name, value in given.items():
        if not OPTIONS[name].fits(value):
            mistakes.add(where, key_of(name), in_words(value), OPTIONS[name].expected)


def with_file(word: str, beside: Path) -> tuple[str, str]:
    """A strategy's word with the path of its file absolute, and the digest of the file's content; empty without a file.

    A class of one's own is refused: nothing that an input file names is run as code; ``--strategy`` of the commands takes one.
    Raises ``InputError``.
    """
    kind, _, name = word.partition(":")
    if not name:
        return word, ""
    if kind not in ("rules", "replay"):
        raise InputError([Mistake("--strategy", "", f"'{word}'", STRATEGY_FORM)])
    path = (beside / Path(name).expanduser()).absolute()
    if not path.is_file():
        raise InputError([Mistake("--strategy", "", f"'{name}'", "an existing file beside the study's")])
    return f"{kind}:{path}", _content(path)


def check_file(how: How) -> None:
    """Raises ``RunError`` when the strategy's file is gone, or says something else than when the case was checked."""
    if not how.strategy_digest:
        return
    path = Path(how.strategy.partition(":")[2])
    if not path.is_file() or _content(path) != how.strategy_digest:
        raise RunError(f"{path} is gone, or was changed while the study ran")


def _content(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()[:32]
