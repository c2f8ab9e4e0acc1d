"""``ems optimum`` with least times, a cold engine and lanes: words and JSON, and values out of range."""

from __future__ import annotations

from pathlib import Path

import pytest

LEVEL = "time_s,speed_kmh\n" + "".join(f"{t},{v}\n" for t, v in enumerate([0, 0, 5, 12, 20, 28, 34, 38, 40, 40, 40, 34, 24, 12, 0, 0]))


@pytest.fixture
def trip() -> str:
    Path("trip.csv").write_text(LEVEL, encoding="utf-8")
    return "trip.csv"


def test_every_option_at_once(ems, trip):
    """The same case in JSON and in words: waits, the warm figure beside the cold one, lanes and what braking gave back."""
    words = ("optimum", "series", "--cycle", trip, "--dwell", "3", "--engine-on", "5", "--cold", "--lanes", "8")
    ended = ems(*words, "--json")
    assert ended.code == 0, ended.err
    result = ended.json
    assert result["waits_s"] == {"dwell": 3.0, "engine_on": 5.0, "engine_off": 0.0}
    assert result["grid"]["lanes"] == 8
    assert result["warm_l_per_100km"] <= result["fuel_l_per_100km"]
    assert 0.0 < result["recovered_percent"] <= 100.0
    assert result["inputs"]["options"] == {"lanes": 8, "dwell": 3.0, "engine_on": 5.0, "cold": True}
    text = ems(*words, "--quiet").out
    assert f"{result['warm_l_per_100km']:.3f} l/100 km; starting cold costs" in text
    assert "dwell at least 3 s, engine on at least 5 s" in text
    assert f"{result['recovered_percent']:.1f} % of its energy at the wheels is recovered" in text


@pytest.mark.parametrize(("option", "value"), [
    ("--dwell", "7"), ("--dwell", "-1"), ("--engine-on", "21"), ("--engine-off", "21"), ("--lanes", "0"), ("--lanes", "65"),
    ("--lanes", "two"), ("--dwell", "nan"),
])
def test_values_out_of_range(ems, trip, option, value):
    ended = ems("optimum", "series", "--cycle", trip, option, value)
    assert ended.code == 2 and option in ended.err and ended.out == "" and "Traceback" not in ended.err


def test_cold_without_cold_data(ems, trip):
    """One line: which engine, and what its file would have to hold."""
    ended = ems("optimum", "series", "--cycle", trip, "--cold", "--set", "engine.map=bench-1500")
    assert ended.code == 1 and ended.out == ""
    assert "--cold" in ended.err and "bench-1500" in ended.err and "[cold]" in ended.err and "Traceback" not in ended.err
