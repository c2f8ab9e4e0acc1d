"""Help answers at once, for every command, and loads nothing heavy."""

from __future__ import annotations

import subprocess
import sys

import pytest

from ems.cli.main import COMMANDS

HEAVY = ("numba", "scipy", "pandas", "matplotlib", "casadi", "numpy", "pydantic", "rich")


def test_help_imports_nothing_heavy():
    script = (
        "import sys\n"
        "from ems.cli.main import main\n"
        "try:\n"
        "    main(['--help'])\n"
        "except SystemExit:\n"
        f"    print('HEAVY', [m for m in {HEAVY} if m in sys.modules])\n"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert "Commands:" in done.stdout
    assert done.stdout.strip().endswith("HEAVY []")


GROUPS = {"batch": ("run", "show")}
CONTINUE = ("batch run",)   # their folder is continued, never replaced: no --force
LEAVES = [f"{name} {inner}".strip() for name in COMMANDS for inner in GROUPS.get(name, ("",))]


@pytest.mark.parametrize("command", LEAVES)
def test_every_command_has_help(ems, command):
    ended = ems(*command.split(), "--help")
    assert ended.code == 0 and ended.err == ""
    assert ended.out.startswith(f"Usage: ems {command}")
    for option in ("--json", "--out DIR", "--quiet", *(("--force",) if command not in CONTINUE else ())):
        assert option in ended.out


@pytest.mark.parametrize("group", GROUPS)
def test_groups_list_their_commands(ems, group):
    assert all(f"  {name} " in ems(group, "--help").out for name in GROUPS[group])


def test_list_of_commands_is_the_table(ems):
    out = ems("--help").out
    for name, (_, line) in COMMANDS.items():
        assert f"  {name} " in out and line in out


def test_version(ems):
    from ems import __version__

    assert ems("--version").out == f"ems {__version__}\n"


def test_python_dash_m():
    done = subprocess.run([sys.executable, "-m", "ems", "--version"], capture_output=True, text=True, check=True)
    assert done.stdout.startswith("ems ")
