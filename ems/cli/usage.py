"""A wrong command line told as every other mistake is: where, what was found, what was expected, the nearest name."""

from __future__ import annotations

import re

import click
from click import exceptions

from ems.errors import Mistake, nearest_name

ARGUMENTS = {
    "layout": "a layout: the name of a shipped one (`ems layouts`), or a file",
    "layouts": "layouts: names of shipped ones (`ems layouts`), or files",
    "what": "a layout, or a folder that a command wrote with --out",
    "name": "the name of a shipped layout, see `ems layouts`",
    "file": "the file to write, ending in .toml",
    "files": "a file: a layout, a component, a map or a cycle",
    "study": "a study: the name of a shipped one, or a file",
    "folder": "a folder that `ems batch run` wrote",
}
"""What an argument takes, by its name in the code."""


class WrongUsage(click.UsageError):
    """A command line that reads well but asks for what cannot be; exit code 2."""

    def __init__(self, key: str, found: str, expected: str, nearest: str | None = None) -> None:
        self.key, self.found, self.expected, self.nearest = key, found, expected, nearest
        super().__init__(f"{key}: found {found}; expected {expected}", click.get_current_context(silent=True))


def mistake_of(error: click.UsageError) -> Mistake:
    """What is wrong with a command line; ``where`` is the command."""
    where = error.ctx.command_path if error.ctx is not None else "ems"
    if isinstance(error, WrongUsage):
        return Mistake(where, error.key, error.found, error.expected, error.nearest)
    if isinstance(error, exceptions.NoSuchOption):
        options = [name for p in error.ctx.command.params for name in p.opts if name.startswith("--")] if error.ctx is not None else []
        return Mistake(where, error.option_name, "an option that is not known", f"one of {', '.join(options)}",
                       nearest_name(error.option_name, options))
    if isinstance(error, exceptions.MissingParameter) and error.param is not None:
        return Mistake(where, _name(error.param), "nothing", _meaning(error.param))
    if isinstance(error, click.BadParameter) and error.param is not None:
        found = re.match(r"(.+?) is not ", error.message, re.S)
        if found is not None:
            return Mistake(where, _name(error.param), found[1], _expected(error.param))
    if isinstance(error, exceptions.BadOptionUsage):
        if "not take a value" in error.message:
            return Mistake(where, error.option_name, "a value", "none behind it")
        return Mistake(where, error.option_name, "no value behind it", _behind(error))
    command = re.match(r"No such command '(.*?)'", error.message)
    if command is not None and error.ctx is not None and isinstance(error.ctx.command, click.Group):
        known = error.ctx.command.list_commands(error.ctx)
        return Mistake(where, "command", f"'{command[1]}'", f"one of {', '.join(known)}", nearest_name(command[1], known))
    extra = re.match(r"Got unexpected extra arguments? \((.*)\)", error.message, re.S)
    if extra is not None:
        takes = [_name(p) for p in error.ctx.command.params if isinstance(p, click.Argument)] if error.ctx is not None else []
        return Mistake(where, "", f"'{extra[1]}' too much", f"{' '.join(takes) or 'no word'} and options")
    return Mistake(where, "", _without_stop(error.format_message()), f"what `{where} --help` says")


def _name(param: click.Parameter) -> str:
    """``--at`` of an option, ``LAYOUT`` of an argument."""
    if isinstance(param, click.Argument):
        return param.human_readable_name.strip("[]")
    return next((name for name in param.opts if name.startswith("--")), param.opts[0])


def _behind(error: exceptions.BadOptionUsage) -> str:
    """What must stand behind an option."""
    params = error.ctx.command.params if error.ctx is not None else []
    said = next((_meaning(p) for p in params if error.option_name in p.opts), "one")
    return said if "an argument" in error.message else re.sub(r".* requires (\d+) arguments.*", rf"\1 values: {said}", error.message)


def _meaning(param: click.Parameter) -> str:
    if isinstance(param, click.Argument) and param.name in ARGUMENTS:
        return ARGUMENTS[param.name]
    said = getattr(param, "help", None)
    return f"{_expected(param)} ({said[:1].lower()}{said[1:].rstrip('.')})" if said else _expected(param)


def _expected(param: click.Parameter) -> str:
    """What a parameter takes, in words."""
    taken = param.type
    if isinstance(taken, click.Choice):
        return f"one of {', '.join(map(str, taken.choices))}"
    whole = "a whole number" if isinstance(taken, click.types.IntParamType) else "a number"
    if isinstance(taken, click.IntRange | click.FloatRange):
        if taken.min is not None and taken.max is not None:
            return f"{whole} from {taken.min:g} to {taken.max:g}"
        if taken.min is not None:
            return f"{whole} above {taken.min:g}" if taken.min_open else f"{whole} of at least {taken.min:g}"
        return f"{whole} of at most {taken.max:g}"
    return whole if isinstance(taken, click.types.IntParamType | click.types.FloatParamType) else param.metavar or "a word"


def _without_stop(message: str) -> str:
    text = message.rstrip(".")
    return f"{text[:1].lower()}{text[1:]}"
