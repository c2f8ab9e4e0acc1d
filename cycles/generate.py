"""Rebuild the cycle files that follow from other figures.

    python cycles/generate.py            write the files into this folder
    python cycles/generate.py FOLDER     write them somewhere else

Four files are built here, always the same byte for byte:

- ``nedc.csv`` from the operation table in ``sources/nedc-operations.csv``;
- ``wltc-3b-3phase.csv``, the first three phases of ``wltc-3b.csv``;
- ``ftp-75.csv``, ``udds.csv`` and its first 505 seconds once more;
- ``hill-town.csv`` from the invented route in ``sources/hill-town-route.csv`` and the driver in ``drive`` below.

The other files are second-by-second tables of regulations and are their own source. Needs nothing but Python.
"""

from __future__ import annotations

import csv
import itertools
import math
import random
import sys
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

FOLDER = Path(__file__).parent


# --- files ------------------------------------------------------------------------------------------------------------


def read_rows(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file by column name, comment lines left out."""
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line and not line.startswith("#")]
    return list(csv.DictReader(lines))


def file_text(header: Sequence[tuple[str, str]], columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Text of a cycle file: ``# key: value`` lines, column names, rows."""
    lines = [f"# {key}: {value}" for key, value in header]
    lines.append(",".join(columns))
    lines.extend(",".join(row) for row in rows)
    return "\n".join(lines) + "\n"


def phase_lines(phases: Sequence[tuple[str, int, int]]) -> list[tuple[str, str]]:
    """Header lines of phases given as (name, start, end in s)."""
    return [("phase", f"{name}, {start}, {end}") for name, start, end in phases]


# --- cut and joined ---------------------------------------------------------------------------------------------------


def wltc_3b_3phase() -> str:
    """Low, medium and high phase of WLTC class 3b: t = 0..1477 s."""
    rows = read_rows(FOLDER / "wltc-3b.csv")[:1478]
    header = [
        ("title", "WLTC class 3b without the extra high phase"),
        ("source", "UN GTR No. 15 Annex 1, tables A1/7, A1/9 and A1/11 (Low3, Medium3-2, High3-2)"),
        ("status", "verified: cut from wltc-3b.csv; phase sums agree with the regulation's checksums"),
        *phase_lines([("low", 0, 589), ("medium", 589, 1022), ("high", 1022, 1477)]),
        ("note", "three-phase form as used in Japan"),
        ("built by", "generate.py"),
    ]
    return file_text(header, ("time_s", "speed_kmh"), ((r["time_s"], r["speed_kmh"]) for r in rows))


def ftp_75() -> str:
    """UDDS, then its seconds 0..505 again; both joints are at rest."""
    udds = [r["speed_mph"] for r in read_rows(FOLDER / "udds.csv")]
    speeds = udds + udds[1:506]
    header = [
        ("title", "FTP-75 driven without the soak"),
        ("source", "40 CFR Part 86, Appendix I, paragraph (a): UDDS followed by its seconds 0 to 505"),
        ("status", "verified: joined from udds.csv; totals agree with the published 1874 s and 11.04 mi"),
        *phase_lines([("cold transient", 0, 505), ("stabilized", 505, 1369), ("hot transient", 1369, 1874)]),
        ("note", "the 10 minute soak before the last phase is left out: nothing moves and nothing is burnt"),
        ("note", "phase names are those of the test; no cold-start effect is part of a speed trace"),
        ("built by", "generate.py"),
    ]
    return file_text(header, ("time_s", "speed_mph"), ((str(t), v) for t, v in enumerate(speeds)))


# --- NEDC -------------------------------------------------------------------------------------------------------------


def nedc_speeds_kmh() -> list[float]:
    """1 Hz speeds of the operation table: four urban cycles and the extra-urban one, straight lines in between."""
    operations = read_rows(FOLDER / "sources" / "nedc-operations.csv")
    urban = [row for row in operations if row["part"] == "1"]
    extra_urban = [row for row in operations if row["part"] == "2"]
    speeds = [0.0]
    for row in urban * 4 + extra_urban:
        start, end = float(row["speed_start_kmh"]), float(row["speed_end_kmh"])
        seconds = int(row["duration_s"])
        speeds.extend(start + (end - start) * second / seconds for second in range(1, seconds + 1))
    return speeds


def nedc() -> str:
    """NEDC with the gear-change plateaus of the operation table."""
    header = [
        ("title", "NEDC"),
        ("source", "UN Regulation No. 83, 06 series, Annex 4a, Table 1 (urban, four times) and Table 2 (extra-urban)"),
        ("status", "extra-urban part verified; the urban part is 0.5 % longer than published, see the notes"),
        *phase_lines([(f"urban {i + 1}", 195 * i, 195 * (i + 1)) for i in range(4)]),
        *phase_lines([("extra-urban", 780, 1180)]),
        ("note", "each urban cycle is 1.018 km long by its own operation table; the regulation prints 1.013 km "
                 "as the theoretical distance, so the whole is 11.028 km instead of 11.007 km; the cause is not known"),
        ("note", "speeds and durations of the table joined by straight lines; gear changes at constant speed"),
        ("built by", "generate.py from sources/nedc-operations.csv"),
    ]
    rows = ((str(t), f"{v:.4f}") for t, v in enumerate(nedc_speeds_kmh()))
    return file_text(header, ("time_s", "speed_kmh"), rows)


# --- hill town --------------------------------------------------------------------------------------------------------

STEP_S = 0.1
STEPS_A_SECOND = 10
REST_S = 8.0                # at the rank, before and after
BRAKING_M_S2 = 1.15         # a driver with passengers
GRADE_RAMP_M = 25.0         # length over which one grade turns into the next


@dataclass(frozen=True)
class Leg:
    """A stretch of road with one grade and one speed limit."""

    phase: str
    start_m: float
    length_m: float
    grade_percent: float
    limit_m_s: float
    stop_s: float

    @property
    def end_m(self) -> float:
        return self.start_m + self.length_m


@dataclass
class Drive:
    """What the driver did: one entry every ``STEP_S``."""

    speed_m_s: list[float] = field(default_factory=lambda: [0.0])
    place_m: list[float] = field(default_factory=lambda: [0.0])
    leg: list[int] = field(default_factory=lambda: [0])

    def append(self, speed_m_s: float, place_m: float, leg: int) -> None:
        self.speed_m_s.append(speed_m_s)
        self.place_m.append(place_m)
        self.leg.append(leg)

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / STEP_S)):
            self.append(0.0, self.place_m[-1], self.leg[-1])


def read_legs() -> list[Leg]:
    legs: list[Leg] = []
    for row in read_rows(FOLDER / "sources" / "hill-town-route.csv"):
        start = legs[-1].end_m if legs else 0.0
        legs.append(Leg(row["phase"], start, float(row["length_m"]), float(row["grade_percent"]),
                        float(row["limit_kmh"]) / 3.6, float(row["stop_s"])))
    return legs


def braking_speed(legs: Sequence[Leg], at: int, place_m: float, pace: float) -> float:
    """Fastest speed from which every stop and lower limit ahead can still be met at a comfortable braking."""
    speed = math.inf
    for leg, following in zip(legs[at:], [*legs[at + 1:], None], strict=True):
        distance = leg.end_m - place_m
        if distance > 400.0:
            break
        end = 0.0 if leg.stop_s > 0.0 or following is None else pace * following.limit_m_s
        speed = min(speed, math.sqrt(end * end + 2.0 * BRAKING_M_S2 * distance))
        if end == 0.0:
            break
    return speed


def drive(legs: Sequence[Leg], seed: int) -> Drive:
    """A driver on the route: briskly away, less so uphill; braking in time; never quite steady.

    Acceleration fades with speed and with the climb, and builds up over about a second. The pace, a factor on the
    limit, wanders slowly between 0.91 and 1.03.
    """
    chance = random.Random(seed)
    done = Drive()
    done.wait(REST_S)
    speed, place, acceleration, pace = 0.0, 0.0, 0.0, 0.98
    for at, leg in enumerate(legs):
        eagerness = 0.85 + 0.3 * chance.random()
        while leg.end_m - place > 0.2:
            pace = min(1.03, max(0.91, pace + 0.016 * (chance.random() - 0.5)))
            braking = braking_speed(legs, at, min(place + 0.3 * speed, leg.end_m - 0.2), pace)
            wanted = min((pace * leg.limit_m_s - speed) / 1.0, (braking - speed) / 0.3)
            most = eagerness * (1.75 - 0.044 * speed) - 0.05 * max(0.0, leg.grade_percent)
            acceleration = max(-2.2, min(wanted, most, acceleration + 1.6 * STEP_S))
            speed = max(0.4, speed + acceleration * STEP_S)
            place += speed * STEP_S
            done.append(speed, place, at)
        if leg.stop_s > 0.0:
            speed, acceleration = 0.0, 0.0
            done.wait(leg.stop_s)
    done.wait(REST_S)
    return done


def grade_at(legs: Sequence[Leg], at: int, place_m: float, downhill: float) -> float:
    """Grade in percent at a place, joints smoothed; falling grades multiplied by ``downhill``."""

    def grade(index: int) -> float:
        raw = legs[index].grade_percent
        return raw * downhill if raw < 0.0 else raw

    half = GRADE_RAMP_M / 2.0
    from_start, to_end = place_m - legs[at].start_m, legs[at].end_m - place_m
    here = grade(at)
    if from_start < half and at > 0:
        return here + (grade(at - 1) - here) * (half - from_start) / GRADE_RAMP_M
    if to_end < half and at + 1 < len(legs):
        return here + (grade(at + 1) - here) * (half - to_end) / GRADE_RAMP_M
    return here


def climb_m(speed_kmh: Sequence[float], grade_percent: Sequence[float]) -> float:
    """Height gained over a trace: mean grade times mean speed of each second, the grade taken as a slope's sine."""
    total = 0.0
    for (v0, v1), (g0, g1) in zip(itertools.pairwise(speed_kmh), itertools.pairwise(grade_percent), strict=True):
        slope = (g0 + g1) / 200.0
        total += (v0 + v1) / 7.2 * slope / math.sqrt(1.0 + slope * slope)
    return total


def close_the_loop(
    legs: Sequence[Leg], at: Sequence[int], place: Sequence[float], speed: Sequence[float]
) -> list[float]:
    """Grades [%] for which the route ends as high as it began: the falling ones take up the difference (bisection)."""

    def grades(downhill: float) -> list[float]:
        return [round(grade_at(legs, leg, where, downhill), 3) for leg, where in zip(at, place, strict=True)]

    low, high = 0.8, 1.25
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (middle, high) if climb_m(speed, grades(middle)) > 0.0 else (low, middle)
    return grades(high)


def hill_town() -> str:
    """The invented taxi route, 1 Hz, with grade."""
    legs = read_legs()
    done = drive(legs, seed=7)
    whole = range(0, len(done.speed_m_s), STEPS_A_SECOND)
    speed = [round(3.6 * done.speed_m_s[i], 1) for i in whole]
    at = [done.leg[i] for i in whole]
    grade = close_the_loop(legs, at, [done.place_m[i] for i in whole], speed)
    names = list(dict.fromkeys(leg.phase for leg in legs))
    starts = [next(t for t, leg in enumerate(at) if legs[leg].phase == name) for name in names]
    starts[0] = 0
    header = [
        ("title", "Hill town, an invented taxi round with grade"),
        ("source", "invented for this project: from the rank in the lower town up to the old town, over the ridge, "
                   "down to the valley road, up to the hillside quarter and back"),
        ("status", "invented: no real town, road or recording"),
        ("invented", "yes"),
        *phase_lines(list(zip(names, starts, [*starts[1:], len(speed) - 1], strict=True))),
        ("note", "ends where it began, at the same height"),
        ("built by", "generate.py from sources/hill-town-route.csv"),
    ]
    rows = ((str(t), f"{v:.1f}", f"{g:.3f}") for t, (v, g) in enumerate(zip(speed, grade, strict=True)))
    return file_text(header, ("time_s", "speed_kmh", "grade_percent"), rows)


BUILT = {
    "nedc.csv": nedc,
    "wltc-3b-3phase.csv": wltc_3b_3phase,
    "ftp-75.csv": ftp_75,
    "hill-town.csv": hill_town,
}


def main(folder: Path) -> None:
    """Write every built file into ``folder``."""
    for name, build in BUILT.items():
        (folder / name).write_text(build(), encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER)
