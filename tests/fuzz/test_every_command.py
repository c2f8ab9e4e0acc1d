"""Every command that writes, on disks that nobody can write to and disks that are full: a word that says where, and nothing half written.

Source: by definition of the contract (``ems.output``); the errors are the operating system's own.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from ems.cli.main import COMMANDS

TRIP = "time_s,speed_kmh\n" + "".join(f"{t},{v}\n" for t, v in enumerate((0, 4, 10, 17, 24, 28, 28, 20, 10, 0)))
STUDY = 'name = "one"\nlayouts = ["series"]\ncycles = ["trip.csv"]\nsolve = ["optimum"]\n'
OUT = "--out", "{out}"
SHORT = "series", "--cycle", "trip.csv"
WORDS = {
    "new": ("series", "{out}/mine.toml"), "check": ("series", *OUT), "modes": ("series", *OUT), "optimum": (*SHORT, *OUT),
    "compare": (*SHORT, "--strategy", "rules", *OUT), "explain": (*SHORT, "--at", "3", *OUT), "report": (*SHORT, *OUT),
    "tune": (*SHORT, "--unseen", "trip.csv", "--evaluations", "2", "--random", "0", *OUT), "batch": ("run", "study.toml", *OUT),
    "versus": ("series", "input-split", "--cycle", "trip.csv", *OUT), "worth": (*SHORT, "--part", "machine", *OUT),
    "sensitivity": (*SHORT, "--costate-only", "--quantity", "vehicle.mass_kg", *OUT), "capability": ("series", *OUT),
    "comfort": (*SHORT, "--start-price", "0.2", *OUT),
    "chargeable": ("series-chargeable", "--cycle", "trip.csv", "--charge", "0.21:0.2", "--no-blended", "--no-correction", *OUT),
    "bridge": ("series", "--from", "cycle=trip.csv", "--to", "vehicle.mass_kg=2000", *OUT), "layouts": OUT,
    "maps": ("dedicated-1500", *OUT), "cycles": ("trip.csv", *OUT),
}


@pytest.fixture
def files(tmp_path):
    (tmp_path / "trip.csv").write_text(TRIP, encoding="utf-8")
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    return tmp_path


def told(ended, out: str) -> str:
    """The words of a command that could not write: one known code, where, and no surprise."""
    said = ended.out + ended.err
    assert ended.code == 1, said
    assert out in said and "unexpectedly" not in said and "Traceback" not in said
    return said


def test_every_command_is_here():
    assert set(WORDS) == set(COMMANDS)


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs a file system that nobody can write to")
@pytest.mark.parametrize("command", WORDS)
def test_a_disk_that_nobody_can_write_to(ems, files, monkeypatch, command):
    """Told, and before anything is solved where that takes long."""
    monkeypatch.setattr(os, "access", lambda *_: False)      # root may write anywhere, says the system
    said = told(ems(command, *(word.format(out="/proc/ems-result") for word in WORDS[command])), "/proc")
    assert "frontier tables" not in said                     # which progress names


@pytest.mark.parametrize("command", sorted(set(WORDS) - {"batch"}))       # its store is SQLite's: tests/studies fills its disk
def test_a_disk_that_is_full(ems, files, monkeypatch, command):
    """The disk takes nothing more when the result is written: said with the system's word, and no file is left that is not whole."""
    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    out = files / "out"
    out.mkdir()
    monkeypatch.setattr(os, "fsync", full)
    assert os.strerror(errno.ENOSPC) in told(ems(command, *(word.format(out=out) for word in WORDS[command])), str(out))
    assert list(out.iterdir()) == []
