"""``ems``: the list of commands, and the one place where anything that goes wrong becomes words and an exit code."""

from __future__ import annotations

import atexit
import errno
import gc
import importlib
import io
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

import click

from ems.cli.failure import FAILED, report_crash, report_failure, report_usage
from ems.errors import EmsError

COMMANDS: dict[str, tuple[str, str]] = {
    # name: (module that holds it, one line of help)
    "new": ("ems.cli.new", "Copy a shipped layout to a file of your own."),
    "check": ("ems.cli.check", "Read your files and list every mistake."),
    "modes": ("ems.cli.modes", "What can be engaged, and where power flows then."),
    "optimum": ("ems.cli.optimum", "The least fuel on a cycle, with proof."),
    "compare": ("ems.cli.compare", "How far a strategy is from the optimum, second by second."),
    "explain": ("ems.cli.explain", "Why this configuration at this second."),
    "report": ("ems.cli.report", "One page to look into an optimum, with a player."),
    "tune": ("ems.cli.tune", "Fit a calibration of the rules; judge it on unseen cycles."),
    "batch": ("ems.cli.batch", "Many cases from one study, resumable, on cores or a cluster."),
    "versus": ("ems.cli.versus", "Layouts side by side on equal terms."),
    "worth": ("ems.cli.worth", "What each clutch, gear and machine saves."),
    "sensitivity": ("ems.cli.sensitivity", "What a small change of each quantity changes."),
    "capability": ("ems.cli.capability", "Force, acceleration, top speed and grades."),
    "comfort": ("ems.cli.comfort", "What fewer starts and changes cost in fuel."),
    "chargeable": ("ems.cli.chargeable", "Depleting, sustaining and weighted figures by the regulations."),
    "bridge": ("ems.cli.bridge", "From a published figure's terms to your own."),
    "layouts": ("ems.cli.layouts", "Layouts that are shipped; the keys of a layout file."),
    "maps": ("ems.cli.maps", "Maps that are shipped; your own checked and drawn."),
    "cycles": ("ems.cli.cycles", "Drive cycles that are shipped, with their totals."),
}

INTERRUPTED = 130
OPTIMISED = "1"     # level of LLVM for the kernels: a sixth less to compile than at 3, and they run as fast (benchmarks/README.md)
NOT_WRITTEN = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)     # of stdout; files under --out are told where they are written


class LazyGroup(click.Group):
    """A group whose commands are imported on use, so that help answers at once."""

    def list_commands(self, context: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(COMMANDS[name][0]).command
        return command

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


def _version(context: click.Context, _parameter: click.Parameter, asked: bool) -> None:
    if asked and not context.resilient_parsing:
        from ems import __version__

        click.echo(f"ems {__version__}")
        context.exit()


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.option("--version", is_flag=True, expose_value=False, is_eager=True, callback=_version,
              help="Show the version and exit.")
def group() -> None:
    """The least fuel a hybrid powertrain could need, with proof.

    First steps: `ems layouts` shows what is shipped, `ems optimum three-clutch` solves one, `ems new three-clutch
    mine.toml` copies it so that you can change it.
    """


def program() -> NoReturn:
    """``main`` as a process of its own: less collecting of garbage while modules are loaded, and an end without taking everything to
    pieces. Together a quarter of a second of the main job's 2.7."""
    gc.set_threshold(50_000, 20, 100)
    try:
        main()
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else int(ended.code is not None)
    atexit._run_exitfuncs()
    with suppress(OSError, ValueError):
        sys.stdout.flush()
        sys.stderr.flush()
    os._exit(code)


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command and exit: 0 done, 1 bad input or a failed run, 2 wrong usage, 3 cycle not followed."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    os.environ.setdefault("NUMBA_OPT", OPTIMISED)      # of this process and those it starts; Python users keep their own
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):   # a terminal without a character shows '?' rather than failing
            stream.reconfigure(errors="replace")
    try:
        sys.exit(_ended(words))
    except BrokenPipeError:
        _close_output()     # the reader (head, less) has gone; nothing is left to say
        sys.exit(0)
    except OSError as error:
        if error.errno not in NOT_WRITTEN:
            sys.exit(_crashed(error, words))
        _close_output()
        click.echo(f"the result cannot be written: {(error.strerror or str(error)).lower()}", err=True)
        sys.exit(FAILED)


def _ended(words: list[str]) -> int:
    """Runs the command, tells what went wrong; the exit code. Raises ``OSError`` where stdout does not take what is said."""
    try:
        code = group.main(args=words, prog_name="ems", standalone_mode=False)
        return code if isinstance(code, int) else 0
    except click.UsageError as error:
        error.ctx = error.ctx or _context_of(words)     # click leaves it out where a value is missing
        return report_usage(error, words)
    except EmsError as error:
        return report_failure(error, words)
    except (KeyboardInterrupt, click.Abort):
        click.echo("interrupted", err=True)
        return INTERRUPTED
    except OSError:
        raise
    except Exception as error:
        return _crashed(error, words)


def _context_of(words: Sequence[str]) -> click.Context:
    """The context of the command that a command line begins with."""
    context = click.Context(group, info_name="ems")
    for word in words:
        inner = context.command.get_command(context, word) if isinstance(context.command, click.Group) else None
        if inner is None:
            break
        context = click.Context(inner, parent=context, info_name=word)
    return context


def _close_output() -> None:
    """What stdout did not take must not be tried again when the interpreter ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _crashed(error: Exception, words: Sequence[str]) -> int:
    """Tell of a mistake in ems itself; with EMS_DEBUG=1 the traceback."""
    if os.environ.get("EMS_DEBUG"):
        raise error
    return report_crash(error, words)
