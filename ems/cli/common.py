"""Options that every command has, and how every command shows its result.

    @click.command("layouts")
    @common.options(reads_layout=False)
    def command(run: Run, ...) -> None:
        ...
        run.finish({"schema": run.schema, ...}, table)
"""

from __future__ import annotations

import functools
import io
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from ems.cli.usage import WrongUsage
from ems.output import Content, OutputFolder, dumps
from ems.present.page import REPORT_FILE
from ems.present.text import times

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

WIDE = 100_000
"""Columns of a console that is no terminal: nothing is cut or wrapped."""

Function = TypeVar("Function", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Run:
    """What the common options say, and the way out for a result.

    command : name, as in the schema     json : whether stdout gets one JSON object instead of text
    overrides : ``KEY=VALUE`` of every ``--set``
    """

    command: str
    json: bool
    out: Path | None
    quiet: bool
    force: bool
    overrides: tuple[str, ...] = ()

    @property
    def schema(self) -> str:
        return f"ems.{self.command}/1"

    @property
    def folder(self) -> OutputFolder | None:
        """Where ``--out`` wants its files."""
        return OutputFolder(self.out, force=self.force) if self.out is not None else None

    def will_write(self, *names: str, report: bool = False) -> None:
        """Refuse now, before anything is computed, what ``finish`` would refuse for these files and, if asked for, the page."""
        if self.folder is not None:
            self.folder.check([*names, *([REPORT_FILE] if report else [])])

    def note(self, text: str) -> None:
        """Progress or a remark, on stderr; nothing with ``--quiet``."""
        if not self.quiet:
            click.echo(text, err=True)

    def warn(self, text: str) -> None:
        """A warning, on stderr; nothing with ``--quiet``."""
        self.note(f"warning: {text}")

    def finish(
        self,
        result: Mapping[str, Any],
        text: RenderableType | list[RenderableType] | None = None,
        files: Mapping[str, Content] | None = None,
    ) -> None:
        """Show a result, and write it with its files when ``--out`` asks for it.

        result : what JSON and ``result.json`` say; ``schema`` and ``status`` are put in front
        text   : what a person reads on stdout
        files  : name -> content, beside ``result.json``
        """
        full = {"schema": self.schema, "status": "done", **result}
        if self.folder is not None:
            written = self.folder.write(full, files)
            self.note(f"wrote {times(len(written), 'file')} to {self.out}")
        if self.json:
            click.echo(dumps(full))
        elif text is not None:
            show(text if isinstance(text, list) else [text])


def show(parts: Sequence[RenderableType]) -> None:
    """Print results on stdout: as wide as the terminal, or as wide as the text when it is none."""
    from rich.console import Console

    if sys.stdout.isatty():
        console = Console(file=sys.stdout, highlight=False, markup=False, emoji=False)
        console.print(*parts, sep="\n")
        return
    console = Console(file=io.StringIO(), width=WIDE, highlight=False, markup=False, emoji=False, color_system=None)
    with console.capture() as captured:
        console.print(*parts, sep="\n")
    for line in captured.get().splitlines():
        click.echo(line.rstrip())


def stderr_console() -> Console:
    """Console for progress and warnings."""
    from rich.console import Console

    return Console(stderr=True, highlight=False, markup=False, emoji=False)


def report_option(function: Function) -> Function:
    """Decorator: ``--report``; the function is called with ``report``. Refused without ``--out``."""

    def checked(context: click.Context, _: click.Parameter, value: bool) -> bool:
        if value and context.params.get("out") is None:
            raise WrongUsage("--report", "no --out", "--out DIR too, where the page goes")
        return value

    return click.option("--report", is_flag=True, callback=checked, help="With --out: report.html, a page to send to anyone.")(function)


def options(*, reads_layout: bool = False, writes: bool = True) -> Callable[[Function], Function]:
    """Decorator: give a command the common options; it is called with ``run`` as its first argument.

    writes : whether it writes its result as every command does, with --out and --force
    """

    def decorate(function: Function) -> Function:
        @functools.wraps(function)
        def called(
            *, json_: bool, quiet: bool, out: Path | None = None, force: bool = False, set_: tuple[str, ...] = (), **rest: Any
        ) -> Any:
            words = click.get_current_context().command_path.split()    # of a command of a group, the group counts
            name = words[min(1, len(words) - 1)]
            run = Run(name, json_, out, quiet, force, set_)
            if run.folder is not None:
                run.folder.check()
            _note_of_changes(run)
            return function(run, **rest)

        decorated: Any = called
        for option in reversed(_options(reads_layout, writes)):
            decorated = option(decorated)
        result: Function = decorated
        return result

    return decorate


def _note_of_changes(run: Run) -> None:
    """What changes by --set leave behind that one might think they take along."""
    if run.overrides:
        from ems.layout.override import mass_alone

        if words := mass_alone(run.overrides):
            run.note(words)


def _options(reads_layout: bool, writes: bool) -> list[Callable[[Function], Function]]:
    change = click.option("--set", "set_", multiple=True, metavar="KEY=VALUE",
                          help="Change one key of the layout or of a component: machines.mg1.rating_kW=60. Repeatable.")
    writing: list[Callable[[Function], Function]] = [
        click.option("--out", type=click.Path(path_type=Path), metavar="DIR", is_eager=True, help="Write the result to this folder."),
        click.option("--force", is_flag=True, help="With --out: replace the files of an earlier result there."),
    ]
    return [
        *([change] if reads_layout else []),
        click.option("--json", "json_", is_flag=True, help="Print one JSON object and nothing else."),
        *(writing if writes else []),
        click.option("--quiet", is_flag=True, help="No progress and no warnings."),
    ]
