"""Progress of a run on stderr: one moving line on a terminal, a plain line a stage elsewhere, nothing with --quiet."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ems.cli.common import Run, stderr_console


@contextmanager
def progress(run: Run, *, every_s: float = 0.0) -> Iterator[Callable[[str], None]]:
    """A function that is told what is being done; what it showed is gone when the block ends on a terminal.

    every_s : elsewhere than on a terminal, lines that follow the one before sooner are left out
    """
    if run.quiet:
        yield lambda _text: None
        return
    console = stderr_console()
    if not console.is_terminal:
        yield _seldom(run.note, every_s) if every_s else run.note
        return
    with console.status("starting") as status:
        yield lambda text: status.update(text)


def _seldom(note: Callable[[str], None], every_s: float) -> Callable[[str], None]:
    last = -every_s

    def tell(text: str) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= every_s:
            note(text)
            last = now

    return tell
