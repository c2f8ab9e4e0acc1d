"""Replay: a recording made from a driven trip at 10 Hz, with 20 rpm of noise and 2 % of the time missing, is recognised."""

from __future__ import annotations

import numpy as np
import pytest
from recorded import record

from ems.errors import InputError
from ems.strategies.ecms import Ecms
from ems.strategies.load import load_strategy
from ems.strategies.recording import load_recording
from ems.strategies.simulate import simulate

PIECE = ("wltc-3b", 0, 600)


@pytest.fixture(scope="module")
def driven(courses):
    c = courses("three-clutch", *PIECE)
    return c, simulate(c.plant.layout, c.cycle, Ecms(2.6), course=c)


@pytest.mark.parametrize("states", [False, True])
def test_at_least_98_percent_of_seconds_are_recognised(driven, tmp_path, states):
    c, run = driven
    path = record(run, tmp_path, states=states)
    replay = load_strategy(f"replay:{path}", c.plant.layout)
    again = simulate(c.plant.layout, c.cycle, replay, course=c)
    assert np.mean(replay.recognised) >= 0.98
    moving = c.demand.speed_m_s > 0.0
    driven_in = np.array([c.plant.nodes[n].configuration for n in run.node])        # lanes are no part of what a recording shows
    assert np.mean((replay.node == driven_in)[moving]) >= 0.98
    words = " ".join(again.notes)
    assert "gaps" in words and "fuel as recorded" in words and "by the map" in words


def test_fuel_of_the_replay_is_the_recorded_fuel(driven, tmp_path):
    c, run = driven
    again = simulate(c.plant.layout, c.cycle, f"replay:{record(run, tmp_path, noise_rpm=0.0, missing=0.0, states=True)}", course=c)
    running = float(np.sum(np.asarray(run.trace.columns["fuel_g_s"])))
    assert float(np.sum(np.asarray(again.trace.columns["fuel_g_s"]))) == pytest.approx(running, rel=0.005)
    assert f"fuel as recorded {running:.1f} g" in " ".join(again.notes)


def test_recorded_fuel_tells_an_engine_that_turns_without_it(courses, tmp_path):
    """Speeds are the same with and without fuel; and no fuel is counted by the map where there was none."""
    c = courses("plain-car", *PIECE)
    run = simulate(c.plant.layout, c.cycle, "rules", course=c)
    replay = load_strategy(f"replay:{record(run, tmp_path)}", c.plant.layout)
    again = simulate(c.plant.layout, c.cycle, replay, course=c)
    without = np.array([c.ids[n].startswith("cut:") for n in run.node])
    seen = np.array([c.undivided.configuration(int(n)).id.startswith("cut:") for n in replay.node])
    assert without.sum() > 20 and np.mean(seen[without]) >= 0.85 and np.mean(seen[~without]) <= 0.01
    recorded, by_map = (float(w.split()[-2]) for w in again.notes[-1].split(";"))
    assert by_map == pytest.approx(recorded, rel=0.01)


def test_a_launch_is_told_from_speeds_alone(courses, tmp_path):
    """The gear behind a slipping clutch turns nothing that is recorded; that it closes in the same gear tells it."""
    c = courses("plain-car", *PIECE)
    run = simulate(c.plant.layout, c.cycle, "rules", course=c)
    replay = load_strategy(f"replay:{record(run, tmp_path)}", c.plant.layout)
    simulate(c.plant.layout, c.cycle, replay, course=c)
    moving = c.demand.speed_m_s > 0.0
    driven_in = np.array([c.plant.nodes[n].configuration for n in run.node])
    slipping = np.array(["~" in c.ids[n] for n in run.node])
    assert slipping.sum() > 5 and np.mean((replay.node == driven_in)[slipping]) >= 0.75
    assert np.mean((replay.node == driven_in)[moving]) >= 0.98


def test_long_gaps_and_unreadable_cells_are_told(driven, tmp_path):
    c, run = driven
    path = record(run, tmp_path, missing=0.0)
    lines = (tmp_path / "drive.csv").read_text(encoding="utf-8").splitlines()
    cut = [line for i, line in enumerate(lines) if not 1000 <= i < 1200]
    cut[500] = cut[500].replace(cut[500].split(",")[1], "n/a", 1)
    (tmp_path / "drive.csv").write_text("\n".join(cut) + "\n", encoding="utf-8")
    replay = load_strategy(f"replay:{path}", c.plant.layout)
    run = simulate(c.plant.layout, c.cycle, replay, course=c)
    assert "the longest 20.1 s" in run.notes[0] and "1 cells" in run.notes[0]
    assert 15 <= int(np.sum(~replay.recognised)) <= 22


def test_every_mistake_in_a_mapping_at_once(courses, tmp_path):
    layout = courses("three-clutch", *PIECE).plant.layout
    (tmp_path / "drive.csv").write_text("t,n\n0,1\n0.1,2\n", encoding="utf-8")
    path = tmp_path / "drive.toml"
    path.write_text('recording = "drive.csv"\n[columns]\ntime_s = "time"\n[machine_rpm]\nmg9 = "n"\n[states]\nK9 = "n"\n', encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_recording(path, layout)
    for word in ("'time'", "machine_rpm.mg9", "nearest: mg", "states.K9"):
        assert word in str(caught.value)


def test_a_recording_that_is_too_slow(courses, tmp_path):
    (tmp_path / "drive.csv").write_text("t,n\n0,1\n5,2\n10,3\n", encoding="utf-8")
    path = tmp_path / "drive.toml"
    path.write_text('recording = "drive.csv"\n[columns]\ntime_s = "t"\n', encoding="utf-8")
    with pytest.raises(InputError, match="1 to 20 samples"):
        load_recording(path, courses("series", *PIECE).plant.layout)


def test_cells_in_quotes_may_hold_commas(driven, tmp_path):
    """As ours do: a mode is called "electric, one machine" in an exported trace."""
    c, run = driven
    path = record(run, tmp_path, noise_rpm=0.0, missing=0.0)
    lines = (tmp_path / "drive.csv").read_text(encoding="utf-8").splitlines()
    plain = load_recording(path, c.plant.layout)
    (tmp_path / "drive.csv").write_text("\n".join(['"mode, in words",' + lines[0], *('"electric, one machine",' + x for x in lines[1:])]),
                                        encoding="utf-8")
    quoted = load_recording(path, c.plant.layout)
    assert quoted.unreadable == 0 and all(np.array_equal(quoted.values[name], plain.values[name]) for name in plain.values)


def test_a_recording_in_place_of_its_mapping_file_is_told(courses, tmp_path):
    (tmp_path / "drive.csv").write_text("t,v\n0,0\n1,3\n", encoding="utf-8")
    with pytest.raises(InputError, match="mapping file"):
        load_strategy(f"replay:{tmp_path / 'drive.csv'}", courses("three-clutch", *PIECE).plant.layout)
