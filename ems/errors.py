"""What can go wrong, in words a user can act on.

A run never ends in a traceback: everything a user's input can cause is an ``EmsError`` that carries the exit code
and one ``Mistake`` a line. Readers collect mistakes and raise them all at once.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TypeVar

Value = TypeVar("Value")


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing that is wrong with an input.

    where    : file name (or option) as the user wrote it
    key      : dotted key path, ``line 12`` or ``line 12, column loss_W``; empty when the whole file is meant
    found    : the value found, in words
    expected : what would have been right
    nearest  : the nearest valid name, when a name was not known

    Whatever an input holds, each is one line of a length that a person reads, without control characters.
    """

    where: str
    key: str
    found: str
    expected: str
    nearest: str | None = None

    def __post_init__(self) -> None:
        for name, longest in (("where", 500), ("key", 200), ("found", 200), ("expected", 1500)):
            object.__setattr__(self, name, one_line(getattr(self, name), longest))

    def __str__(self) -> str:
        place = f"{self.where}: {self.key}" if self.key else self.where
        hint = f" (nearest: {self.nearest})" if self.nearest else ""
        return f"{place}: found {self.found}; expected {self.expected}{hint}"


def one_line(text: str, longest: int) -> str:
    """Text as it may be shown: what cannot be printed as its escape, the middle of a long one left out."""
    shown = text if text.isprintable() else "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
    if len(shown) <= longest:
        return shown
    half = (longest - 3) // 2
    return f"{shown[:half]}...{shown[-half:]}"


class EmsError(Exception):
    """Base of everything ``ems`` raises on purpose; ``exit_code`` is the command's."""

    exit_code = 1


class InputError(EmsError):
    """Bad input: every mistake found, in one go."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes: tuple[Mistake, ...] = tuple(mistakes)
        super().__init__("\n".join(map(str, self.mistakes)))


class RunError(EmsError):
    """A run that could not be carried through although its input reads well."""


@dataclass(frozen=True, slots=True)
class Shortfall:
    """Why a layout cannot follow a cycle.

    time_s  : start of the first interval that cannot be followed [s]
    limit   : the limit that stops the best configuration there, in words
    short_kW : wheel power missing there [kW]
    seconds : how long, in all, the cycle asks for more than the layout can give [s]
    """

    time_s: float
    limit: str
    short_kW: float
    seconds: float


class CycleNotFollowed(EmsError):
    """The layout cannot follow the cycle (exit code 3)."""

    exit_code = 3

    def __init__(self, layout: str, cycle: str, shortfall: Shortfall) -> None:
        self.layout, self.cycle, self.shortfall = layout, cycle, shortfall
        missing = f"{shortfall.short_kW:.1f} kW short" if shortfall.short_kW >= 0.05 else "nothing short"
        super().__init__(
            f"{layout} cannot follow {cycle}: first at {shortfall.time_s:g} s, stopped by {shortfall.limit}, "
            f"{missing} at the wheels; {shortfall.seconds:g} s of the cycle in all"
        )


@dataclass(slots=True)
class Mistakes:
    """Collects mistakes while a reader goes on reading."""

    found: list[Mistake] = field(default_factory=list)

    def add(self, where: str, key: str, found: object, expected: str, nearest: str | None = None) -> None:
        self.found.append(Mistake(where, key, str(found), expected, nearest))

    def extend(self, error: InputError) -> None:
        self.found.extend(error.mistakes)

    def tried(self, load: Callable[[], Value]) -> Value | None:
        """What ``load`` returns; None where it raises ``InputError``, whose mistakes are kept."""
        try:
            return load()
        except InputError as error:
            self.extend(error)
            return None

    def raise_if_any(self) -> None:
        """Raise ``InputError`` with everything collected so far, each once, or return."""
        if self.found:
            raise InputError(list(dict.fromkeys(self.found)))


def nearest_name(name: str, known: Iterable[str]) -> str | None:
    """The known name most like ``name``, whatever its case, or None."""
    by_lower = {k.lower(): k for k in known}
    close = difflib.get_close_matches(name.lower(), by_lower, n=1, cutoff=0.5)
    return by_lower[close[0]] if close else None
