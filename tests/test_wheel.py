"""The wheel, installed into an empty environment, finds its data and runs from another folder."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

from ems.present.page.assets import SCRIPTS as SCRIPTS_OF_THE_PAGE

ROOT = Path(__file__).parent.parent
SCRIPTS = "Scripts" if os.name == "nt" else "bin"


def run(*words: str | Path, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a program in a folder, blind to the checkout and to this environment's settings."""
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV")}
    done = subprocess.run([str(w) for w in words], cwd=folder, env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    return done


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--no-isolation", "--wheel", "--outdir", out, ROOT, folder=out)
    (built,) = out.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the scripts of an environment that holds the wheel; dependencies are seen, not installed again."""
    place = tmp_path_factory.mktemp("environment")
    venv.create(place, with_pip=False, symlinks=os.name != "nt")
    python = place / SCRIPTS / "python"
    told = run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", folder=place)
    site = Path(told.stdout.strip())
    run(sys.executable, "-m", "pip", "--python", python, "install", "--no-deps", "--no-index", wheel, folder=place)
    # after ems itself in the path, so that an ems installed beside the dependencies is not the one that is tested
    (site / "dependencies.pth").write_text(sysconfig.get_path("purelib"), encoding="utf-8")
    return place / SCRIPTS


@pytest.fixture
def elsewhere(tmp_path: Path) -> Path:
    return tmp_path


def test_wheel_holds_code_types_and_data(wheel):
    names = set(zipfile.ZipFile(wheel).namelist())
    assert {"ems/py.typed", "ems/shipped/three-clutch.toml", "ems/_data/maps/vehicles/hill-taxi.toml",
            "ems/_data/cycles/wltc-3b.csv", "ems/cli/main.py",
            *(f"ems/present/page/files/report.{ending}" for ending in ("html", "css")),
            *(f"ems/present/page/files/script/{name}.js" for name in SCRIPTS_OF_THE_PAGE)} <= names
    assert not [n for n in names if n.startswith(("tests/", "benchmarks/")) or "__pycache__" in n]


def test_installed_command_finds_everything(installed, elsewhere):
    where = run(installed / "python", "-c", "import ems; print(ems.__file__)", folder=elsewhere).stdout
    assert str(installed.parent) in where
    checked = json.loads(run(installed / "ems", "check", "three-clutch", "wltc-3b", "machine-75", "--json",
                             folder=elsewhere).stdout)
    assert [row["kind"] for row in checked["files"]] == ["layout", "cycle", "machine"]
    listed = json.loads(run(installed / "ems", "layouts", "--json", folder=elsewhere).stdout)
    assert "three-clutch" in [row["name"] for row in listed["layouts"]]
    assert "wltc-3b" in run(installed / "ems", "cycles", folder=elsewhere).stdout
    assert list(elsewhere.iterdir()) == []      # commands leave nothing behind where they are called


def test_installed_command_finds_the_least_fuel(installed, elsewhere):
    told = json.loads(run(installed / "ems", "optimum", "series", "--cycle", "nedc", "--json", folder=elsewhere).stdout)
    assert (told["schema"], told["status"], told["cycle"]) == ("ems.optimum/1", "done", "nedc")
    assert told["distance_km"] == pytest.approx(11.0, abs=0.1)
    assert 0.0 <= told["lower_bound_g"] <= told["objective_g"]
    assert told["floor_l_per_100km"] < told["fuel_l_per_100km"] < 2 * told["floor_l_per_100km"]
    assert list(elsewhere.iterdir()) == []
