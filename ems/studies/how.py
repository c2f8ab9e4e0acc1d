"""How a case of a study is solved: options of the commands, set for all cases or varied like a key of the layout."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ems.errors import InputError, Mistake, Mistakes, RunError
from ems.inputfile import in_words
from ems.studies.options import OPTIONS, STRATEGY_FORM, Solving


@dataclass(frozen=True, slots=True, kw_only=True)
class How(Solving):
    """The options of a case, as the commands of the same names have them.

    charge : (start, end) state of charge, None for sustaining
    strategy : word of the strategy, paths absolute      strategy_digest : of its file's content, empty without one
    grip : of the tyres, None for the vehicle's      quantities : of a sensitivity, all when empty
    costate_only : sensitivity by the costate alone
    """

    charge: tuple[float, float] | None = None
    strategy: str = "rules"
    strategy_digest: str = ""
    grip: float | None = None
    quantities: tuple[str, ...] = ()
    costate_only: bool = False


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
