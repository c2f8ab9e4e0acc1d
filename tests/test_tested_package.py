"""The tests judge one ``ems``: this process's and every subprocess's are the same, from any folder."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import ems


def test_a_subprocess_imports_the_same_package(tmp_path):
    other = tmp_path / "ems"
    other.mkdir()
    (other / "__init__.py").write_text("raise ImportError('another ems, in the current folder')", encoding="utf-8")
    done = subprocess.run([sys.executable, "-c", "import ems; print(ems.__file__)"], cwd=tmp_path, capture_output=True,
                          text=True, check=True)
    assert Path(done.stdout.strip()) == Path(ems.__file__)
