"""The command run in this process, as ``ems WORDS`` would."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from ems.cli.main import main


@dataclass(frozen=True)
class Ended:
    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)


@pytest.fixture
def ems(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Ended]:
    """Run a command in an empty folder; its exit code and what it said."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("EMS_DEBUG", raising=False)

    def run(*words: str) -> Ended:
        with pytest.raises(SystemExit) as ended:
            main(words)
        captured = capsys.readouterr()
        return Ended(ended.value.code, captured.out, captured.err)

    return run
