"""From the word of ``--strategy`` to a strategy."""

from __future__ import annotations

import importlib
import importlib.util
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from ems.errors import InputError, Mistake, nearest_name
from ems.layout.model import Layout
from ems.strategies.protocol import Strategy

if TYPE_CHECKING:
    from ems.plant.plant import Plant

WORDS = ("rules", "rules:FILE", "ecms", "ecms-adaptive", "replay:FILE", "python:module:Class", "default")
OPTION = "--strategy"
_NEEDS = {"rules": "rules, or rules:FILE with a calibration file", "replay": "replay:FILE, the mapping file of a recording",
          "python": "python:module:Class or python:file.py:Class"}


def load_strategy(word: str, layout: Layout, *, where: str = OPTION, plant: Plant | None = None) -> Strategy:
    """The strategy a word stands for: ``rules``, ``rules:FILE``, ``ecms``, ``ecms-adaptive``, ``replay:FILE``,
    ``python:module:Class`` (or ``python:file.py:Class``), ``default`` (rules).

    plant : of the layout, to save building it again
    Raises ``InputError`` for a word, a file or a class that is not known.
    """
    kind, colon, rest = word.partition(":")
    if not rest and kind in _NEEDS and (colon or kind != "rules"):
        raise InputError([Mistake(where, "", f"'{word}'", _NEEDS[kind])])
    if kind in ("rules", "default") and not (kind == "default" and rest):
        from ems.strategies.rules import load_rules

        return load_rules(layout, rest or None, plant=plant)
    if kind in ("ecms", "ecms-adaptive") and not rest:
        from ems.strategies.ecms import Ecms, adaptive

        return Ecms() if kind == "ecms" else adaptive()
    if kind == "replay" and rest:
        from ems.strategies.replay import load_replay

        return load_replay(layout, rest, plant=plant)
    if kind == "python" and rest:
        return _own(rest, where)
    near = nearest_name(kind, ["rules", "ecms", "ecms-adaptive", "replay", "python", "default"])
    raise InputError([Mistake(where, "", f"'{word}'", f"one of {', '.join(WORDS)}", near)])


def _own(rest: str, where: str) -> Strategy:
    """An instance of a user's class ``module:Class``; the module may be a file."""
    name, _, cls = rest.rpartition(":")
    expected = "python:module:Class or python:file.py:Class, a class with a method decide(situation)"
    if not name or not cls:
        raise InputError([Mistake(where, "", f"'python:{rest}'", expected)])
    try:
        module = _module(name)
    except FileNotFoundError:
        raise InputError([Mistake(where, "", f"'{name}'", "an existing Python file")]) from None
    except Exception as error:
        raise InputError([Mistake(where, "", f"'{name}', which fails to import ({type(error).__name__}: {error})", expected)]) from error
    made = getattr(module, cls, None)
    if made is None:
        known = [n for n, v in vars(module).items() if isinstance(v, type)]
        raise InputError([Mistake(where, "", f"'{cls}'", f"a class in {name}: {', '.join(known)}", nearest_name(cls, known))])
    try:
        strategy: Strategy = made()
    except Exception as error:
        found = f"'{cls}', which cannot be made without arguments ({error})"
        raise InputError([Mistake(where, "", found, expected)]) from error
    if not callable(getattr(strategy, "decide", None)):
        raise InputError([Mistake(where, "", f"'{cls}' without a method decide", expected)])
    return strategy


def _module(name: str) -> object:
    if not name.endswith(".py"):
        sys.path.insert(0, str(Path.cwd()))
        try:
            return importlib.import_module(name)
        finally:
            sys.path.pop(0)
    path = Path(name).expanduser()
    if not path.is_file():
        raise FileNotFoundError(name)
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
