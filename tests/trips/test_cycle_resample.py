"""Steps of one second from any steps: distance and auxiliary energy are kept, and what was done is told."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ems.trips.cycle import load_cycle
from ems.trips.resample import Trace, to_seconds


def trace(time, speed, auxiliary=None, grade=None) -> Trace:
    time, speed = np.asarray(time, float), np.asarray(speed, float)
    nothing = np.zeros(time.size)
    return Trace(time, speed, nothing if grade is None else np.asarray(grade, float),
                 nothing if auxiliary is None else np.asarray(auxiliary, float))


def naive_distance(time, speed) -> float:
    """Straight lines, one after another."""
    return sum((speed[i] + speed[i + 1]) / 2 * (time[i + 1] - time[i]) for i in range(len(time) - 1))


def test_coarse_whole_seconds_need_no_correction():
    even, factor = to_seconds(trace([0, 2, 7, 10], [0, 8, 8, 0]))
    assert factor == pytest.approx(1.0, abs=1e-14)
    assert even.speed_m_s == pytest.approx([0, 4, 8, 8, 8, 8, 8, 8, 16 / 3, 8 / 3, 0])


def test_a_corner_between_seconds_by_hand():
    """Up to 6 m/s at 1.5 s and down to rest at 3 s: 9 m; seconds read 0, 4, 4, 0: 8 m; so the factor is 9/8."""
    even, factor = to_seconds(trace([0, 1.5, 3], [0, 6, 0]))
    assert factor == pytest.approx(9 / 8, rel=1e-14)
    assert even.speed_m_s == pytest.approx([0, 4.5, 4.5, 0])


def test_last_second_completed_at_rest_or_left_off():
    at_rest, _ = to_seconds(trace([0.25, 1.25, 2.65], [0, 5, 0], auxiliary=[100, 200, 300]))
    assert at_rest.time_s.tolist() == [0.25, 1.25, 2.25, 3.25]
    assert at_rest.speed_m_s[-1] == 0.0
    assert naive_distance(at_rest.time_s, at_rest.speed_m_s) == pytest.approx(2.5 + 3.5, rel=1e-12)
    # 100 W for 1 s, 200 W for 1.4 s, then the last row's 300 W for the 0.6 s added
    assert at_rest.auxiliary_W[:-1].sum() == pytest.approx(100 + 280 + 180, rel=1e-12)
    moving, factor = to_seconds(trace([0, 1, 2.5], [0, 5, 5]))
    assert moving.time_s.tolist() == [0.0, 1.0, 2.0]
    assert moving.speed_m_s.tolist() == [0.0, 5.0, 5.0] and factor == 1.0


@settings(deadline=None, max_examples=150)
@given(
    steps=st.lists(st.floats(0.05, 7.0), min_size=4, max_size=60),
    seed=st.integers(0, 2**32 - 1),
)
def test_distance_and_auxiliary_energy_are_kept(steps, seed):
    random = np.random.default_rng(seed)
    time = np.concatenate(([random.uniform(-5, 5)], np.cumsum(steps)))
    time[1:] += time[0]
    speed = random.uniform(0.0, 30.0, time.size)
    speed[0] = speed[-1] = 0.0
    auxiliary = random.uniform(0, 500, time.size)
    auxiliary[-1] = 0.0
    if time[-1] - time[0] < 2.0:
        return
    even, _ = to_seconds(trace(time, speed, auxiliary, random.uniform(-0.1, 0.1, time.size)))
    assert np.allclose(np.diff(even.time_s), 1.0) and even.time_s[0] == time[0]
    assert naive_distance(even.time_s, even.speed_m_s) == pytest.approx(naive_distance(time, speed), rel=1e-9)
    assert even.speed_m_s.min() >= 0.0
    energy = sum(auxiliary[i] * (time[i + 1] - time[i]) for i in range(len(time) - 1))
    assert even.auxiliary_W[:-1].sum() == pytest.approx(energy, rel=1e-9)


def test_ten_hertz_recording_of_a_published_cycle(tmp_path):
    """HWFET read off at 10 Hz with the clock shifted comes back as HWFET."""
    cycle = load_cycle("hwfet")
    time = np.arange(0, 7651) / 10
    speed = np.interp(time, cycle.time_s, cycle.speed_m_s)
    path = tmp_path / "fast.csv"
    rows = (f"{t + 100:.1f},{v:.9f}\n" for t, v in zip(time, speed, strict=True))
    path.write_text("time_s,speed_m_s\n" + "".join(rows))
    fast = load_cycle(str(path))
    assert fast.time_s[0] == 100.0
    assert fast.speed_m_s == pytest.approx(cycle.speed_m_s, abs=1e-6)
    assert fast.distance_m == pytest.approx(cycle.distance_m, rel=1e-8)
    (note,) = fast.notes
    assert "steps of 0.1 to 0.1 s brought to 1 s" in note and "to keep the distance of 16.5065 km" in note
    assert fast.warnings == ()


def test_notes_tell_what_happened_at_the_end_and_a_large_correction_is_warned_about(tmp_path):
    path = tmp_path / "short.csv"
    path.write_text("time_s,speed_m_s\n0,0\n1.5,6\n3,0\n3.4,0\n")
    cycle = load_cycle(str(path))
    assert "0.6 s at rest added to complete the last second" in cycle.notes[0]
    assert "multiplied by 1.125000" in cycle.notes[0]
    assert any("short.csv: bringing the trace to steps of 1 s changed its distance by -11.1 %" in w for w in cycle.warnings)
    path.write_text("time_s,speed_m_s\n0,0\n1,6\n2.4,6\n")
    assert "the last 0.4 s, no whole second, left off" in load_cycle(str(path)).notes[0]
