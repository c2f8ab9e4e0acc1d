"""A headless browser driven over pipes by its own debugging protocol; nothing but the standard library."""

from __future__ import annotations

import base64
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import ems
from ems.configurations import derive
from ems.judge.capability import capability
from ems.judge.chargeable import chargeable
from ems.judge.compare import Comparison
from ems.judge.sensitivity import sensitivity
from ems.judge.versus import versus
from ems.judge.worth import worth
from ems.output import dumps
from ems.present.chargeable_text import texts
from ems.present.drawing.sheet import SHEET_FILE, sheet
from ems.present.page.report import compare_page, html, report_page
from ems.present.page.results import joined, result_page
from ems.present.study_page import study_page as study_html
from ems.solve.optimum import Optimum, optimum
from ems.strategies.load import load_strategy
from ems.studies.results import Study

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
LAUNCH = """import fcntl, os, sys
a, b = (fcntl.fcntl(int(word), fcntl.F_DUPFD, 10) for word in sys.argv[1:3])
os.dup2(a, 3); os.dup2(b, 4)
os.execvp(sys.argv[3], sys.argv[3:])"""
SHORT_TRIP = Path(__file__).parents[2] / "data" / "short-trip.csv"


class Browser:
    """One page at a time. Messages are JSON ended by a zero byte, on descriptors 3 and 4 of the browser."""

    def __init__(self, program: str, profile: Path) -> None:
        (their_in, self.write_fd), (self.read_fd, their_out) = os.pipe(), os.pipe()
        words = [program, "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", f"--user-data-dir={profile}",
                 "--no-first-run", "--disable-background-networking", "--disable-dev-shm-usage", "--hide-scrollbars", "about:blank"]
        self.process = subprocess.Popen([sys.executable, "-c", LAUNCH, str(their_in), str(their_out), *words],
                                        pass_fds=(their_in, their_out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        os.close(their_in)
        os.close(their_out)
        self.number, self.rest, self.events, self.session = 0, b"", list[dict[str, Any]](), ""
        target = self.send("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.send("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.send(f"{domain}.enable")
        self.send("Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=0, uploadThroughput=0)

    def send(self, method: str, **parameters: Any) -> dict[str, Any]:
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters, **({"sessionId": self.session} if self.session else {})}
        os.write(self.write_fd, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next()
            if answer.get("id") == self.number:
                assert "error" not in answer, answer["error"]
                result: dict[str, Any] = answer["result"]
                return result
            self.events.append(answer)

    def _next(self) -> dict[str, Any]:
        while b"\0" not in self.rest:
            piece = os.read(self.read_fd, 1 << 20)
            if not piece:
                raise EOFError("the browser ended")
            self.rest += piece
        message, self.rest = self.rest.split(b"\0", 1)
        answer: dict[str, Any] = json.loads(message)
        return answer

    def open(self, path: Path, width: int = 1280, height: int = 900, scheme: str = "light") -> None:
        self.events.clear()
        self.size(width, height)
        self.send("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        self.send("Page.navigate", url=path.as_uri())
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(self._next())

    def size(self, width: int, height: int) -> None:
        self.send("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=width < 600)

    def run(self, script: str) -> Any:
        """The value of an expression; a promise is waited for."""
        answer = self.send("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        assert "exceptionDetails" not in answer, answer["exceptionDetails"]
        return answer["result"].get("value")

    def key(self, key: str) -> None:
        for kind in ("keyDown", "keyUp"):
            self.send("Input.dispatchKeyEvent", type=kind, key=key, text=key if len(key) == 1 and kind == "keyDown" else "")

    def drag(self, x0: float, x1: float, y: float) -> None:
        for kind, x in (("mousePressed", x0), ("mouseMoved", (x0 + x1) / 2), ("mouseMoved", x1), ("mouseReleased", x1)):
            self.send("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", buttons=1, clickCount=1)

    def complaints(self) -> list[str]:
        """Errors and warnings of the console, exceptions, and every request that is not the page itself."""
        self.run("new Promise(done => setTimeout(done, 50))")
        out = []
        for e in self.events:
            p = e.get("params", {})
            match e.get("method"):
                case "Runtime.exceptionThrown":
                    out.append(str(p["exceptionDetails"]))
                case "Log.entryAdded" if p["entry"]["level"] in ("error", "warning"):
                    out.append(p["entry"]["text"])
                case "Runtime.consoleAPICalled" if p["type"] in ("error", "warning", "assert"):
                    out.append(str(p["args"]))
                case "Network.requestWillBeSent" if not p["request"]["url"].startswith("file:"):
                    out.append(p["request"]["url"])
                case "Network.requestWillBeSent" if p["type"] != "Document":
                    out.append(p["request"]["url"])
        return out

    def picture(self, path: Path, whole: bool = False) -> None:
        path.write_bytes(base64.b64decode(self.send("Page.captureScreenshot", captureBeyondViewport=whole, **({"clip": {
            "x": 0, "y": 0, "width": self.run("innerWidth"), "height": self.run("document.documentElement.scrollHeight"), "scale": 1}}
            if whole else {}))["data"]))

    def pdf(self) -> bytes:
        return base64.b64decode(self.send("Page.printToPDF", printBackground=True)["data"])

    def close(self) -> None:
        self.session = ""
        try:
            self.send("Browser.close")
        except (EOFError, OSError):
            self.process.terminate()
        self.process.wait(20)
        os.close(self.write_fd)
        os.close(self.read_fd)


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    program = next((found for name in NAMES if (found := shutil.which(name))), None)
    if program is None:
        words = f"no browser installed (looked for {', '.join(NAMES)}): the page is not tried in one"
        pytest.fail(words) if os.environ.get("CI") else pytest.skip(words)
    started = Browser(program, tmp_path_factory.mktemp("profile"))
    yield started
    started.close()


@pytest.fixture(scope="session")
def found() -> Optimum:
    return optimum(ems.load_layout("three-clutch"), ems.load_cycle(str(SHORT_TRIP)))


@pytest.fixture(scope="session")
def checker() -> str:
    """The script of the accessibility checker."""
    path = Path(__file__).with_name("node_modules") / "axe-core" / "axe.min.js"
    if not path.is_file():
        pytest.skip("the accessibility checker is not installed (npm install --no-package-lock in tests/present/page)")
    return path.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def compared() -> Comparison:
    layout, cycle = ems.load_layout("three-clutch"), ems.load_cycle(str(SHORT_TRIP))
    return ems.compare(ems.simulate(layout, cycle, load_strategy("rules", layout)))


@pytest.fixture(scope="session")
def strategy_page(compared: Comparison, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("strategy") / "report.html"
    path.write_text(compare_page(compared), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def results() -> dict[str, dict[str, Any]]:
    """Schema -> result of two layouts side by side, of parts' worth, of sensitivities, of capability, of charging from the mains."""
    layout, cycle = ems.load_layout("series-parallel"), ems.load_cycle(str(SHORT_TRIP))
    made = {"versus": versus([layout, ems.load_layout("series")], [cycle]), "worth": worth(layout, [cycle], kinds=["clutch", "gear"]),
            "sensitivity": sensitivity(layout, cycle, quantities=["vehicle.mass_kg"]), "capability": capability(layout),
            "chargeable": chargeable(ems.load_layout("series-parallel-chargeable"), cycle, charge=(0.22, 0.2), blended=False)}
    told = {f"ems.{name}/1": json.loads(dumps(result.to_dict())) for name, result in made.items()}
    told["ems.chargeable/1"]["regulations"] = json.loads(dumps(texts()))
    return told


@pytest.fixture(scope="session")
def results_page(results: dict[str, dict[str, Any]], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("results") / "report.html"
    path.write_text(html(joined([result_page(schema, result) for schema, result in results.items()])), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def study_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a study of two ratios on two cycles, one case in three breaking a requirement."""
    rows = [{"case": n, "layout": "three-clutch", "cycle": cycle, "gears.first.ratio": first, "vehicle.mass_kg": mass,
             "fuel_l_per_100km": fuel, "gap_percent": 0.02, "status": "done", "message": "", "seconds": 1.0, "meets": n % 3 != 0,
             "broken": "" if n % 3 else "engine_starts 12, not < 10"}
            for n, (cycle, first, mass, fuel) in enumerate(
                ((c, f, m, 4.0 + 0.1 * f + m / 9000.0 + (0.2 - 0.3 * f) * (c == "nedc")) for c in ("udds", "nedc") for f in (2.5, 2.9, 3.2)
                 for m in (1700, 1800)), 1)]
    study = Study(None, "Ratios", "Which ratio?", 'name = "Ratios"\n', ("optimum",), ("gears.first.ratio", "vehicle.mass_kg"),
                  ("fuel_l_per_100km", "gap_percent"), {"engine_starts": {"below": 10.0}}, {"three-clutch": {"engine": "invented"}},
                  {"ems": "0"}, tuple(rows))
    path = tmp_path_factory.mktemp("study") / "report.html"
    path.write_text(study_html(study), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def modes_page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    layout = ems.load_layout("series-parallel")
    path = tmp_path_factory.mktemp("modes") / SHEET_FILE
    path.write_text(sheet(layout, derive(layout)).files[SHEET_FILE], encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def page(found: Optimum, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(report_page(found), encoding="utf-8")
    return path
