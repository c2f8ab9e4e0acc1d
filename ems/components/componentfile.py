"""One reader for the TOML files of all components, and for tables written in a layout in their place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ConfigDict, StrictBool

from ems import library
from ems.components.csvfile import Columns, collect_columns
from ems.errors import InputError, Mistake, Mistakes
from ems.inputfile import in_words, quantity, read_toml, validate


class Table(BaseModel):
    """A table of keys; unknown keys are mistakes."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class ComponentFile(Table):
    """Keys that every component file has."""

    title: str = quantity("what it is, in a few words; the file's name when not given", "-", default="")
    source: str = quantity("where the numbers come from; printed in reports", "-", default="")
    invented: StrictBool = quantity("true when the numbers are made up rather than measured", "-", default=False)


File = TypeVar("File", bound=ComponentFile)


@dataclass(frozen=True, slots=True)
class Opened(Generic[File]):
    """A component file read and checked key by key.

    data       : its content
    name       : short name; the key for a table inside a layout
    where      : the file's name as the user knows it
    prefix     : dotted key in front of its keys; empty for a file of its own
    folder     : what file names in it are relative to
    files      : the file itself, or nothing for a table inside a layout
    overridden : keys replaced by the user, and the place where that was asked for
    """

    data: File
    name: str
    where: str
    prefix: str
    folder: Path
    files: tuple[Path, ...]
    overridden: Mapping[str, tuple[str, str]]

    @property
    def title(self) -> str:
        return self.data.title or self.name

    @property
    def source(self) -> str:
        return self.data.source or f"not stated in {self.where}"

    def place(self, key: str) -> tuple[str, str]:
        """Where the value of a (dotted) key came from: file and dotted key, or the override's place."""
        return self.overridden.get(key, (self.where, f"{self.prefix}.{key}" if self.prefix else key))

    def csv_path(self, key: str) -> Path:
        """File that a (dotted) key names."""
        return self.folder / Path(self._word(key) or "").expanduser()

    def csv_paths(self, *keys: str) -> tuple[Path, ...]:
        """Files that those of the keys name which are given."""
        return tuple(self.csv_path(key) for key in keys if self._word(key) is not None)

    def _word(self, key: str) -> str | None:
        """The file name under a (dotted) key; None where the file has none."""
        value: Any = self.data
        for part in key.split("."):
            value = getattr(value, part, None)
        return None if value is None else str(value)

    def read_csv(
        self, key: str, required: Sequence[str], optional: Sequence[str] = (), *, mistakes: Mistakes
    ) -> Columns | None:
        """The CSV file that a (dotted) key names, NaN where a value could not be read, with the reasons in ``mistakes``.

        None when no name is given, the file does not read at all, or a required column is missing.
        """
        word = self._word(key)
        if word is None:
            return None
        path = self.csv_path(key)
        if not path.is_file():
            mistakes.add(*self.place(key), in_words(word), f"the name of an existing CSV file in {self.folder.name}/")
            return None
        own_folder = bool(self.files) and "/" in self.where and not Path(word).is_absolute()
        where = f"{self.where.rpartition('/')[0]}/{word}" if own_folder else word
        return collect_columns(path, required, optional, where=where, mistakes=mistakes)


def open_component(
    kind: library.Kind,
    word: object,
    model: type[File],
    *,
    where: str,
    key: str,
    beside: Path | None = None,
    overrides: Mapping[str, object] | None = None,
) -> Opened[File]:
    """A component by short name, path, or as the table itself.

    kind      : what is looked for among the shipped files
    word      : short name, path, or the table
    model     : keys it may have
    where, key: who asks: file or option, and dotted key
    beside    : folder that a relative path, or file names in a table, are relative to
    overrides : key -> value put in place of the file's
    Raises ``InputError`` with every mistake in the file or the overrides.
    """
    if isinstance(word, Mapping):
        content, place, prefix, name = dict(word), where, key, key.rpartition(".")[2] or kind
        folder, files = beside or Path.cwd(), tuple[Path, ...]()
    elif isinstance(word, str):
        path = library.find(kind, word, where=where, key=key, beside=beside)
        place = word if library.is_path(word) else path.relative_to(library.data_root()).as_posix()
        content, prefix, name = read_toml(path, place), "", path.stem
        folder, files = path.parent, (path,)
    else:
        raise InputError([Mistake(where, key, in_words(word), f"the name of a {kind}, a path, or a table")])
    replaced = {k: (where, f"{key}.{k}" if key else k) for k in _dotted(overrides or {})}
    data = _validated(model, _merged(content, overrides or {}), place, prefix, replaced)
    return Opened(data, name, place, prefix, folder, files, replaced)


def _merged(content: Mapping[str, Any], overrides: Mapping[str, Any]) -> dict[str, Any]:
    """The content with the overrides in place; tables are merged key by key."""
    both = {k: _merged(content[k], v) for k, v in overrides.items()
            if isinstance(v, Mapping) and isinstance(content.get(k), Mapping)}
    return {**content, **overrides, **both}


def _dotted(table: Mapping[str, Any]) -> list[str]:
    """Dotted keys of everything in a table, inner tables themselves included."""
    return [key for k, v in table.items()
            for key in (k, *(f"{k}.{inner}" for inner in (_dotted(v) if isinstance(v, Mapping) else [])))]


def _validated(
    model: type[File], content: Mapping[str, Any], where: str, prefix: str, replaced: Mapping[str, tuple[str, str]]
) -> File:
    """``validate``, with mistakes in overridden keys told at the place of the override."""
    try:
        return validate(model, content, where, prefix)
    except InputError as error:
        raise InputError([_moved(m, prefix, replaced) for m in error.mistakes]) from None


def _moved(mistake: Mistake, prefix: str, replaced: Mapping[str, tuple[str, str]]) -> Mistake:
    own_key = mistake.key.removeprefix(f"{prefix}.") if prefix else mistake.key
    place = replaced.get(own_key)
    return Mistake(*place, mistake.found, mistake.expected, mistake.nearest) if place else mistake
