"""A user's cycle file: what is read, what is refused with line, value and remedy, what is warned about."""

from __future__ import annotations

import json

import numpy as np
import pytest

from ems.errors import InputError
from ems.trips.cycle import Phase, load_cycle
from ems.trips.listing import cycle_rows


@pytest.fixture
def write(tmp_path):
    def to_file(text: str | bytes, name: str = "trip.csv") -> str:
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return str(path)
    return to_file


def mistakes(word: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        load_cycle(word)
    return [str(mistake) for mistake in caught.value.mistakes]


GOOD = """# title: Depot round
# source: a logger
# status: not checked
# invented: yes
# Phase: out, and back, 0, 2
# phase: rest, 2, 3
# note: wet road
time_s,speed_kmh,grade_percent,auxiliary_W
0,0,1.0,100
1,3.6,2.0,200
2,0,0,300
3,0,0,9999
"""


def test_a_file_with_everything(write):
    cycle = load_cycle(write(GOOD))
    assert (cycle.name, cycle.title, cycle.source, cycle.status) == (
        "trip", "Depot round", "a logger", "not checked")
    assert cycle.invented
    assert cycle.phases == (Phase("out, and back", 0.0, 2.0), Phase("rest", 2.0, 3.0))
    assert cycle.notes == ("wet road",)
    assert cycle.warnings == ()
    assert cycle.speed_m_s.tolist() == [0.0, 1.0, 0.0, 0.0]
    assert cycle.grade.tolist() == [0.01, 0.02, 0.0, 0.0]
    assert cycle.auxiliary_W.tolist() == [100.0, 200.0, 300.0]
    assert cycle.phase_index.tolist() == [0, 0, 1]
    assert cycle.distance_m == 1.0
    assert cycle.stops == 1 and cycle.standstill_s == 1.0
    # mean grades 1.5 % and 1 %, half a metre each, as sines
    assert cycle.altitude_m[-1] == pytest.approx(0.5 * np.sin(np.arctan(0.015)) + 0.5 * np.sin(np.arctan(0.01)))


@pytest.mark.parametrize("column, value, speed_m_s", [
    ("speed_kmh", 36.0, 10.0), ("speed_m_s", 10.0, 10.0),
    ("speed_mph", 25.0, 25 * 1609.344 / 3600),   # international mile, exact
])
def test_units_of_speed(write, column, value, speed_m_s):
    cycle = load_cycle(write(f"time_s,{column}\n0,0\n5,{value}\n10,0\n"))
    assert cycle.speed_m_s[5] == pytest.approx(speed_m_s, rel=1e-12)


def test_windows_line_ends_byte_order_mark_spaces_and_columns_in_any_order(write):
    cycle = load_cycle(write("\ufeffspeed_kmh , time_s\r\n0, 0\r\n36 ,1\r\n\r\n0,2\r\n"))
    assert cycle.speed_m_s == pytest.approx([0.0, 10.0, 0.0])


@pytest.mark.parametrize("text, places", [
    ("time_s,speed_kmh\n0,0\n2,5\n1,5\n1,0\n",
     ["line 4, column time_s: found 1 after 2; expected a later time than in the row before; sort the rows",
      "line 5, column time_s: found 1 after 1; expected a later time"]),
    ("time_s,speed_kmh\n0,0\n1,nan\n2,0\n", ["line 3, column speed_kmh: found 'nan'; expected a finite number"]),
    ("time_s,speed_kmh\n0,0\n1,inf\n2,1e400\n3,0\n", ["line 3, column speed_kmh: found 'inf'", "line 4, column"]),
    ("time_s,speed_kmh\n0,0\n1,\n2,1;5\n3,0\n", ["line 3, column speed_kmh: found an empty value", "found '1;5'"]),
    ("time_s,speed_kmh\n0,0\n1,-3\n2,0\n", ["line 3, column speed_kmh: found -3; expected a speed from 0 to 500 km/h"]),
    ("time_s,speed_kmh\n0,0\n1,501\n2,0\n", ["line 3, column speed_kmh: found 501; expected a speed from 0 to 500"]),
    ("time_s,speed_m_s\n0,0\n1,140\n2,0\n", ["found 140; expected a speed from 0 to 500 km/h (138.9 in this column's"]),
    ("time_s,speed_mph\n0,0\n1,311\n2,0\n", ["found 311; expected a speed from 0 to 500 km/h (310.7 in this column's"]),
    ("time_s,speed_kmh\n0,5\n", ["found 1 row; expected at least two rows, a start and an end"]),
    ("time_s,speed_kmh\n", ["line 1: found a header without rows; expected at least one row"]),
    ("# title: nothing\n", ["found comments only; expected a header line"]),
    ("time_s,speed_kmh\n0,0\n0.5,3\n", ["line 3, column time_s: found a trip of 0.5 s; expected a second at least"]),
    ("time_s,speed_kmh\n0,0\n2000000,3\n", ["found a trip of 2e+06 s", "if these are milliseconds, divide by 1000"]),
    ("time_s,speed_kmh\n0,0\n1,0\n", ["found 0 in every row of column speed_kmh; expected a trip that moves"]),
    ("time_s,speed_kmh,grade_percent\n0,0,41\n1,3,-40.5\n2,0,40\n",
     ["line 2, column grade_percent: found 41; expected rise over run in percent, from -40 to 40",
      "line 3, column grade_percent: found -40.5"]),
    ("time_s,speed_kmh,auxiliary_W\n0,0,-1\n1,3,1e6\n2,0,0\n",
     ["line 2, column auxiliary_W: found -1; expected a load in W", "line 3, column auxiliary_W: found 1e+06"]),
    ("time_s,speed_kph\n0,0\n1,3\n2,0\n",
     ["line 1: found column 'speed_kph'", "(nearest: speed_kmh)", "found no speed column; expected exactly one of"]),
    ("time_s,speed_kmh,altitude_m\n0,0,1\n1,3,x\n2,0,1\n", ["line 1: found column 'altitude_m'"]),
    ("time,speed_kmh\n0,0\n1,3\n2,0\n", ["found column 'time'", "nearest: time_s"]),
    ("time_s,speed_kmh,speed_m_s\n0,0,0\n1,3.6,1\n2,0,0\n",
     ["found columns speed_kmh and speed_m_s; expected exactly one of speed_kmh, speed_m_s, speed_mph"]),
    ("time_s;speed_kmh\n0;0\n1;3\n", ["line 1: found 'time_s;speed_kmh'; expected commas between columns"]),
    ("time_s,speed_kmh\n0,0\n1,3,4\n2,0\n", ["line 3: found 3 values; expected 2"]),
    ("# phase: town, 0\n# phase: x, 5, 1\n# phase: y, 1, 99\n# phase: a, 0, 2\n# phase: b, 1, 2\n"
     "time_s,speed_kmh\n0,0\n1,3\n2,0\n",
     ["line 1: found phase 'town, 0'; expected phase: name, start_s, end_s",
      "line 2: found phase 'x, 5, 1'; expected a start before its end",
      "line 3: found phase 'y, 1, 99'; expected times of the trip, from 0 to 2 s",
      "line 5: found phase 'b, 1, 2'; expected a start no earlier than the end of the phase before, 2 s"]),
    ("", ["found an empty file"]),
    (b"\x00\x01\x02\xff\xfe\x89PNG", ["expected a text file in UTF-8"]),
])
def test_refused(write, text, places):
    word = write(text)
    told = mistakes(word)
    assert all(line.startswith(word) for line in told)
    assert all("nan after" not in line for line in told)
    for place in places:
        assert any(place in line for line in told), (place, told)


def test_every_mistake_at_once(write):
    """One of each kind in one file: nothing hides behind anything else."""
    told = mistakes(write("# phase: a\ntime_s,speed_kmh,grade_percent,slope\n"
                          "0,0,99,1\n2,-1,0,1\n1,600,0,1\n3,oops,0,1\n4,0\n"))
    for place in ("line 1:", "line 2: found column 'slope'", "line 3, column grade_percent", "line 4, column speed_kmh",
                  "line 5, column time_s", "line 5, column speed_kmh", "line 6, column speed_kmh", "line 7:"):
        assert sum(f": {place}" in line for line in told) == 1, (place, told)
    assert len(told) == 8


def test_a_file_full_of_mistakes_shows_some_and_counts_the_rest(write):
    told = mistakes(write("time_s,speed_kmh\n0,0\n" + "".join(f"{t},-1\n" for t in range(1, 1000))))
    assert len(told) == 21
    assert "979 more mistakes" in told[-1]


def test_missing_folder_and_large_files(write, tmp_path):
    assert "expected an existing cycle file" in mistakes(str(tmp_path / "none.csv"))[0]
    assert "expected an existing cycle file" in mistakes(str(tmp_path) + "/")[0]
    large = tmp_path / "large.csv"
    with large.open("wb") as file:
        file.truncate(100_000_000)   # sparse: nothing is written, and nothing may be read
    assert "100 MB (not read); expected a text file of at most 20 MB" in mistakes(str(large))[0]


def test_an_unknown_name_is_told_with_the_nearest():
    assert "--cycle: found 'wltc3b'; expected a shipped cycle or a path" in mistakes("wltc3b")[0]
    assert "(nearest: wltc-3b)" in mistakes("wltc3b")[0]


# --- warnings -----------------------------------------------------------------------------------------------------


def ramps(top: float, seconds: int, column: str = "speed_kmh") -> str:
    """Up and down between 0 and ``top`` in straight lines."""
    rows = [(t, top * min(t, 2 * seconds - t) / seconds) for t in range(2 * seconds + 1)]
    return f"time_s,{column}\n" + "".join(f"{t},{v}\n" for t, v in rows)


@pytest.mark.parametrize("text, words", [
    (ramps(100, 60, "speed_m_s"), ["column speed_m_s reaches 100, which is 360 km/h", "another unit (km/h: then name"]),
    (ramps(260, 200), ["column speed_kmh reaches 260, faster than road vehicles go", "another unit"]),
    (ramps(30, 20), ["column speed_kmh stays under 30", "no more than 0.42 m/s2", "name the column speed_m_s"]),
    (ramps(100, 4), ["line 3, column time_s: speed changes at 6.9 m/s2; 8 such place(s)", "up to 6.9;", "a jump"]),
    ("time_s,speed_kmh\n0,7\n1,9\n2,3\n", ["column speed_kmh begins at 7 and ends at 3, not at rest"]),
    ("time_s,speed_kmh\n0,0\n10,60\n40,60\n50,0\n", ["line 4, column time_s: 30 s after", "1 such gap(s)", "up to 30"]),
])
def test_warned(write, text, words):
    word = write(text)
    (warning,) = load_cycle(word).warnings
    assert warning.startswith(word)
    for part in words:
        assert part in warning


@pytest.mark.parametrize("text", [
    ramps(50, 20), ramps(30, 6), ramps(36, 20, "speed_m_s"), ramps(130, 60), ramps(80, 40, "speed_mph"),
    "time_s,speed_kmh\n0,0\n5,30\n10,0\n600,0\n",   # a long rest in two rows
])
def test_plausible_trips_are_not_warned_about(write, text):
    assert load_cycle(write(text)).warnings == ()


@pytest.mark.parametrize("name, warned", [("wltc-3b", True), ("udds", True), ("nedc", True), ("hwfet", True)])
def test_published_cycles_in_m_s_under_a_wrong_heading(write, name, warned):
    cycle = load_cycle(name)
    rows = "".join(f"{t},{v}\n" for t, v in zip(cycle.time_s, cycle.speed_m_s, strict=True))
    assert any("another unit" in w for w in load_cycle(write("time_s,speed_kmh\n" + rows)).warnings) == warned
    assert load_cycle(write("time_s,speed_m_s\n" + rows)).warnings == ()


# --- listing ------------------------------------------------------------------------------------------------------


def test_rows_of_the_listing_are_plain_and_hold_the_totals(outside_check):
    rows = {row["name"]: row for row in cycle_rows()}
    assert json.loads(json.dumps(rows, allow_nan=False)) == rows
    wltc = rows["wltc-3b"]
    assert (wltc["duration_s"], wltc["distance_km"], wltc["max_speed_kmh"]) == (1800.0, 23.2663, 131.3)
    outside_check(wltc["mean_speed_kmh"], source="UN GTR No. 15, Annex 1", quantity="wltc-3b, mean speed", value=46.5, unit="km/h",
                  tolerance=0.05)
    assert wltc["stops"] == 8
    assert [p["distance_km"] for p in wltc["phases"]] == pytest.approx([3.0945, 4.7559, 7.1617, 8.2541], abs=1e-4)
    assert rows["hill-town"]["climb_m"] > 200 and abs(rows["hill-town"]["height_gain_m"]) <= 0.1
    assert rows["udds"]["climb_m"] == 0.0


def test_rows_of_a_file_of_ones_own(write):
    (row,) = cycle_rows([write(GOOD)])
    assert row["title"] == "Depot round" and row["notes"] == ["wet road"]
