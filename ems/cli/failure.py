"""How a command that did not end well says so: a line a mistake on stderr, or one JSON object on stdout."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from ems.cli.usage import mistake_of
from ems.errors import CycleNotFollowed, EmsError, InputError, Mistake

FAILED, WRONG_USAGE = 1, 2


def report_failure(error: EmsError, words: Sequence[str]) -> int:
    """Tell what was wrong with the input or the run; the exit code."""
    if isinstance(error, InputError):
        errors = [_of(m) for m in error.mistakes]
    elif isinstance(error, CycleNotFollowed):
        short = error.shortfall
        found = f"{short.short_kW:.1f} kW more at the wheels than {error.layout} can give ({short.limit})"
        errors = [_mistake(error.cycle, f"{short.time_s:g} s", found, "a cycle that the layout can follow", message=str(error))]
    else:
        errors = [_mistake(message=str(error))]
    extra: dict[str, Any] = {}
    if isinstance(error, CycleNotFollowed):
        from ems.output import plain

        extra["shortfall"] = plain(error.shortfall)
    _tell(words, errors, extra)
    return error.exit_code


def report_usage(error: click.UsageError, words: Sequence[str]) -> int:
    """Tell that the command line is wrong, and where its help is; the exit code."""
    name = error.ctx.command_path if error.ctx is not None else "ems"
    if isinstance(error, click.exceptions.NoArgsIsHelpError):   # its message is the help itself
        _tell(words, [_mistake(where=name, message=error.format_message())], {})
    else:
        _tell(words, [_of(mistake_of(error))], {}, f"Try '{name} --help'.")
    return WRONG_USAGE


def report_crash(error: Exception, words: Sequence[str]) -> int:
    """Tell of a mistake in ems itself in one line; the exit code."""
    what = f"{type(error).__name__}: {error}".splitlines()[0] if str(error) else type(error).__name__
    message = f"ems failed unexpectedly ({what}). Please report this with the command and its files; EMS_DEBUG=1 " \
              "shows where."
    _tell(words, [_mistake(message=message)], {})
    return FAILED


def _of(m: Mistake) -> dict[str, str | None]:
    return _mistake(m.where, m.key, m.found, m.expected, m.nearest, str(m))


def _mistake(
    where: str = "", key: str = "", found: str = "", expected: str = "", nearest: str | None = None, message: str = ""
) -> dict[str, str | None]:
    return {"where": where, "key": key, "found": found, "expected": expected, "nearest": nearest, "message": message}


def _tell(words: Sequence[str], errors: list[dict[str, str | None]], extra: dict[str, Any], hint: str = "") -> None:
    if "--json" in words:
        from ems.output import dumps

        click.echo(dumps({"schema": schema_of(words), "status": "error", "errors": errors, **extra}))
        return
    for error in errors:
        click.echo(error["message"], err=True)
    if len(errors) > 1:
        click.echo(f"{len(errors)} mistakes", err=True)
    if hint:
        click.echo(hint, err=True)


def schema_of(words: Sequence[str]) -> str:
    """Name of the JSON form of the command in a command line: ``ems.check/1``."""
    command = next((w for w in words if not w.startswith("-")), "")
    return f"ems.{command}/1" if command else "ems/1"
