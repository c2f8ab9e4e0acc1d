"""Components kept from one layout to the next: a study of ten thousand layouts reads and checks an engine's map once."""

from __future__ import annotations

import hashlib
from collections import OrderedDict
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Protocol, TypeVar

KEPT = 256      # components, the one used longest ago is dropped first


class Component(Protocol):
    """What can be kept: something that knows the files it was made from."""

    @property
    def files(self) -> tuple[Path, ...]:
        """Every file that was read."""


Part = TypeVar("Part", bound=Component)


class Shelf:
    """Components by the words that asked for them, each as long as its files say what they said.

    Files are read again and compared by content each time; what is saved is parsing, gridding and checking. Layouts loaded with the
    same shelf share their components, whose arrays are not to be written to.
    """

    def __init__(self) -> None:
        self._kept: OrderedDict[tuple[object, ...], tuple[Any, tuple[bytes, ...] | None]] = OrderedDict()

    def load(
        self, loader: Callable[..., Part], word: object, *, where: str, key: str, beside: Path | None,
        overrides: Mapping[str, object] | None,
    ) -> Part:
        """What the loader gives for these words, from the shelf where it is. Raises what the loader raises, and keeps nothing then."""
        asked = (loader, repr(word), where, key, beside or Path.cwd(), repr(overrides))
        part, contents = self._kept.get(asked, (None, None))
        if part is None or _contents(part) != contents:
            part = loader(word, where=where, key=key, beside=beside, overrides=overrides)
            self._kept[asked] = part, _contents(part)
        self._kept.move_to_end(asked)
        if len(self._kept) > KEPT:
            self._kept.popitem(last=False)
        found: Part = part
        return found


def _contents(part: Component) -> tuple[bytes, ...] | None:
    """A digest of each file's content; None when one is gone."""
    try:
        return tuple(hashlib.sha256(path.read_bytes()).digest() for path in part.files)
    except OSError:
        return None
