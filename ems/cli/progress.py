"""Progress of a run on stderr: one moving line on a terminal, a plain line a stage elsewhere, nothing with --quiet."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from ems.cli.common import Run, stderr_console


@contextmanager
def progress(run: Run) -> Iterator[Callable[[str], None]]:
    """A function that is told what is being done; what it showed is gone when the block ends on a terminal."""
    if run.quiet:
        yield lambda _text: None
        return
    console = stderr_console()
    if not console.is_terminal:
        yield run.note
        return
    with console.status("starting") as status:
        yield lambda text: status.update(text)
