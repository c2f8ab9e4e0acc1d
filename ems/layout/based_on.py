"""A layout file that says only how it differs from another: ``based_on`` and ``without``.

The other file is read first, keys named by ``without`` are taken out, and what the file itself says is put in: tables
key by key, everything else in place of what was there. A component given by name becomes a table based on that name
when the file changes single keys of it, as with ``--set``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ems import library
from ems.errors import InputError, Mistake, nearest_name
from ems.inputfile import in_words, read_toml

BASED_ON, WITHOUT = "based_on", "without"
INSTEAD = {"ratio": "teeth", "teeth": "ratio"}
MOST_BASES = 8


@dataclass(frozen=True, slots=True)
class RawLayout:
    """Content of a layout file with everything it is based on.

    data : the keys, ``based_on`` and ``without`` resolved      place : the file, as the user knows it
    own  : the file's own content                               base  : what it is based on, None for a whole file
    mistakes : words of ``without`` that name nothing; they leave nothing out      path : where the file is
    """

    data: dict[str, Any]
    place: str
    own: Mapping[str, Any]
    base: RawLayout | None = None
    mistakes: tuple[Mistake, ...] = ()
    path: Path | None = None

    @property
    def files(self) -> tuple[Path, ...]:
        """The file and those it is based on."""
        own = () if self.path is None else (self.path,)
        return own if self.base is None else (*own, *self.base.files)

    def place_of(self, key: str) -> str:
        """The file that a dotted key's value comes from."""
        parts = key.split(".")
        if self.base is None or _depth(self.own, parts) >= _depth(self.base.data, parts):
            return self.place
        return self.base.place_of(key)


def read_layout(path: Path, place: str) -> RawLayout:
    """A layout file and what it is based on.

    place : the file as the user knows it
    Raises ``InputError`` for a file that cannot be read, is not known, or is based on itself.
    """
    return _read(path, place, ())


def _read(path: Path, place: str, above: tuple[Path, ...]) -> RawLayout:
    own = read_toml(path, place)
    if BASED_ON not in own:
        if WITHOUT in own:
            raise InputError([Mistake(place, WITHOUT, in_words(own[WITHOUT]), "no such key in a file without based_on")])
        return RawLayout(own, place, own, path=path)
    word = own[BASED_ON]
    if not isinstance(word, str) or not word:
        raise InputError([Mistake(place, BASED_ON, in_words(word), "the short name or path of a layout")])
    base_path = library.find("layout", word, where=place, key=BASED_ON, beside=path.parent)
    chain = (*above, path.resolve())
    if base_path.resolve() in chain or len(chain) > MOST_BASES:
        raise InputError([Mistake(place, BASED_ON, f"'{word}', which leads back to this file", "another layout")])
    base = _read(base_path, word if library.is_path(word) else base_path.name, chain)
    inherited = _seen_from(base.data, base_path.parent, path.parent)
    kept, mistakes = _left_out(inherited, own.get(WITHOUT, []), place)
    changes = {k: v for k, v in own.items() if k not in (BASED_ON, WITHOUT)}
    return RawLayout(merged(kept, changes), place, own, base, (*base.mistakes, *mistakes), path)


def merged(base: Mapping[str, Any], changes: Mapping[str, Any], path: tuple[str, ...] = ()) -> dict[str, Any]:
    """A copy of the base with the changes put in, tables key by key."""
    out = dict(base)
    for key, value in changes.items():
        before, here = out.get(key), (*path, key)
        if isinstance(value, Mapping) and isinstance(before, str) and is_component(here) and BASED_ON not in value:
            before = {BASED_ON: before}
        out.pop(INSTEAD.get(key, ""), None)
        if isinstance(value, Mapping) and isinstance(before, Mapping) and BASED_ON not in value:
            value = merged(before, value, here)
        out[key] = value
    return out


def is_component(path: tuple[str, ...]) -> bool:
    """Whether a path of the file names a component that has a file of its own."""
    return path in (("vehicle",), ("battery",), ("engine", "map")) or (
        len(path) == 3 and path[0] == "machines" and path[2] == "map")


def _left_out(data: dict[str, Any], keys: object, place: str) -> tuple[dict[str, Any], list[Mistake]]:
    """The data without the keys named, and a mistake for each that is not there. Raises ``InputError`` for what is no list of keys."""
    if not isinstance(keys, list) or not all(isinstance(key, str) for key in keys):
        raise InputError([Mistake(place, WITHOUT, in_words(keys), "a list of dotted keys, such as \"clutches.K4\"")])
    mistakes = []
    for i, key in enumerate(keys, 1):
        parts = key.split(".")
        depth = _depth(data, parts)
        if depth == len(parts):
            data = _without_words_of(_removed(data, parts), parts[-1])
        else:
            known = [".".join((*parts[:depth], name)) for name in _level(data, parts[:depth])]
            mistakes.append(Mistake(place, f"{WITHOUT}.{i}", in_words(key), f"one of {', '.join(known) or '(nothing)'}",
                                    nearest_name(key, known)))
    return data, mistakes


def _without_words_of(data: dict[str, Any], name: str) -> dict[str, Any]:
    """The data without the words of ``forbid`` that name a part left out."""
    words = data.get("forbid")
    if not isinstance(words, list):
        return data
    return {**data, "forbid": [w for w in words if not isinstance(w, str) or name not in _parts_of(w)]}


def _parts_of(word: str) -> set[str]:
    """Names of the parts in an id: K1, S1 and S1's position in ``on:K1~+S1=first``."""
    engaged = word.partition(":")[2].replace("~", "").split("+")
    return {name for part in engaged for name in part.split("=")}


def _removed(data: Mapping[str, Any], parts: list[str]) -> dict[str, Any]:
    first, *rest = parts
    if not rest:
        return {k: v for k, v in data.items() if k != first}
    return {**data, first: _removed(data[first], rest)}


def _level(data: Mapping[str, Any], parts: list[str]) -> Mapping[str, Any]:
    level: Any = data
    for part in parts:
        level = level.get(part) if isinstance(level, Mapping) else None
    return level if isinstance(level, Mapping) else {}


def _depth(data: Mapping[str, Any], parts: list[str]) -> int:
    """How many leading parts of a dotted key the data hold; below a value that is no table everything counts as held."""
    level: Any = data
    for depth, part in enumerate(parts):
        if not isinstance(level, Mapping):
            return len(parts)
        if part not in level:
            return depth
        level = level[part]
    return len(parts)


def _seen_from(data: dict[str, Any], folder: Path, reader: Path) -> dict[str, Any]:
    """Components of a file in another folder, their relative paths made whole."""
    if folder.resolve() == reader.resolve():
        return data
    return {key: _moved(value, folder, (key,)) for key, value in data.items()}


def _moved(value: Any, folder: Path, path: tuple[str, ...]) -> Any:
    if isinstance(value, Mapping):
        return {key: _moved(inner, folder, (*path, key)) for key, inner in value.items()}
    names_a_file = is_component(path) or is_component(path[:-1])
    if isinstance(value, str) and names_a_file and library.is_path(value) and (folder / value).is_file():
        return str((folder / value).resolve())
    return value
