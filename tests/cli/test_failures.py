"""Anything that goes wrong becomes words, an exit code, and with --json one object on stdout and nothing else."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from ems.cli import failure
from ems.cli import main as cli
from ems.errors import CycleNotFollowed, RunError, Shortfall


@pytest.mark.parametrize(("words", "text"), [
    (["cycls"], "ems: command: found 'cycls'; expected one of new, check, "),
    (["cycls"], "(nearest: cycles)"),
    (["layouts", "--jsn"], "ems layouts: --jsn: found an option that is not known; expected one of --keys, --json, "),
    (["layouts", "--jsn"], "(nearest: --json)"),
    (["check"], "ems check: FILE...: found nothing; expected a file: a layout, a component, a map or a cycle"),
    (["layouts", "--set", "a=1"], "ems layouts: --set: found an option that is not known"),
    (["optimum", "series", "more"], "ems optimum: found 'more' too much; expected LAYOUT and options"),
    (["optimum", "series", "--lanes", "900"], "ems optimum: --lanes: found 900; expected a whole number from 1 to 64"),
    (["explain", "series", "--at", "noon"], "ems explain: --at: found 'noon'; expected a number"),
    (["worth", "series", "--part", "cluch"], "ems worth: --part: found 'cluch'; expected one of clutch, brake, "),
    (["explain", "series"], "ems explain: --at: found nothing; expected a number (second of the cycle)"),
    (["batch", "rum"], "ems batch: command: found 'rum'; expected one of run, show (nearest: run)"),
    (["optimum", "series", "--gap"], "ems optimum: --gap: found no value behind it; expected a number from"),
    (["layouts", "--keys=all"], ": --keys: found a value; expected none behind it"),
    (["comfort", "series", "--ramp", "0"], "ems comfort: --ramp: found 0.0; expected a number above 0"),
    (["optimum", "series", "--tables"], "ems optimum: --tables: found no --out; expected --out DIR too"),
])
def test_wrong_usage_is_exit_2_in_the_form_of_every_mistake(ems, words, text):
    ended = ems(*words)
    assert (ended.code, ended.out) == (2, "")
    told, hint = ended.err.splitlines()
    assert text in told and "--help" in hint
    with_json = ems(words[0], "--json", *words[1:]) if words[-1] == "--gap" else ems(*words, "--json")
    assert with_json.code == 2 and with_json.err == ""
    error = with_json.json["errors"][0]
    assert with_json.json["status"] == "error" and text in error["message"] and error["found"] and error["expected"]


def test_no_command_shows_help(ems):
    ended = ems()
    assert ended.code == 2 and "Commands:" in ended.err


def test_bad_input_is_exit_1_with_a_line_a_mistake(ems):
    ended = ems("check", "nowhere.toml", "tree-clutch")
    assert (ended.code, ended.out) == (1, "")
    assert ended.err.splitlines() == [
        "nowhere.toml: found nothing; expected an existing file",
        "FILE: found 'tree-clutch'; expected a file (with its suffix), or a short name of something shipped "
        "(nearest: three-clutch)",
        "2 mistakes",
    ]


def test_bad_input_in_json(ems):
    ended = ems("check", "three-clutch", "--set", "gears.first.ratio=0", "--set", "clutches.K1.hold=1", "--json")
    assert ended.code == 1 and ended.err == ""
    told = ended.json
    assert (told["schema"], told["status"]) == ("ems.check/1", "error")
    by_key = {e["key"]: e for e in told["errors"]}
    assert by_key["gears.first.ratio"]["found"] == "0" and by_key["gears.first.ratio"]["where"] == "--set"
    assert by_key["clutches.K1.hold"]["nearest"] == "clutches.K1.hold_W"
    assert set(by_key["clutches.K1.hold"]) == {"where", "key", "found", "expected", "nearest", "message"}


def failing(monkeypatch, error):
    """Make ``ems layouts`` raise an error."""
    def listing():
        raise error

    monkeypatch.setattr("ems.layout.listing.layout_rows", listing)


def test_cycle_not_followed_is_exit_3(ems, monkeypatch):
    failing(monkeypatch, CycleNotFollowed("weak", "us06", Shortfall(12.0, "battery power", 31.25, 4.0)))
    ended = ems("layouts")
    assert ended.code == 3
    assert ended.err == ("weak cannot follow us06: first at 12 s, stopped by battery power, 31.2 kW short at the "
                         "wheels; 4 s of the cycle in all\n")
    told = ems("layouts", "--json").json
    assert told["shortfall"] == {"time_s": 12.0, "limit": "battery power", "short_kW": 31.25, "seconds": 4.0}
    assert (told["errors"][0]["where"], told["errors"][0]["key"]) == ("us06", "12 s")


def test_failed_run_is_exit_1(ems, monkeypatch):
    failing(monkeypatch, RunError("the disk is full"))
    assert (ems("layouts").code, ems("layouts").err) == (1, "the disk is full\n")


def test_mistake_of_our_own_is_one_line_and_no_traceback(ems, monkeypatch):
    failing(monkeypatch, ZeroDivisionError("float division by zero"))
    ended = ems("layouts")
    assert ended.code == 1 and len(ended.err.splitlines()) == 1
    assert "ZeroDivisionError: float division by zero" in ended.err and "Please report" in ended.err
    assert ems("layouts", "--json").json["status"] == "error"


def test_traceback_only_when_asked_for(monkeypatch):
    failing(monkeypatch, ZeroDivisionError("x"))
    monkeypatch.setenv("EMS_DEBUG", "1")
    with pytest.raises(ZeroDivisionError):
        cli.main(["layouts"])


def test_interrupt(ems, monkeypatch):
    failing(monkeypatch, KeyboardInterrupt())
    ended = ems("layouts")
    assert (ended.code, ended.err.strip()) == (130, "interrupted")


def test_schema_of_a_command_line():
    assert failure.schema_of(["--json", "check", "x"]) == "ems.check/1"
    assert failure.schema_of(["--json"]) == "ems/1"


def test_reader_that_goes_away():
    """``ems cycles | head -1`` says nothing on stderr."""
    script = f"{sys.executable} -m ems layouts --keys | head -1"
    done = subprocess.run(script, shell=True, capture_output=True, text=True, check=True)
    assert done.stderr == "" and len(done.stdout.splitlines()) == 1


def test_json_is_one_object_without_nan(ems):
    for words in (["layouts"], ["layouts", "--keys"], ["cycles"], ["check", "three-clutch", "nedc"]):
        ended = ems(*words, "--json")
        assert ended.code == 0, ended
        result = json.loads(ended.out, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))
        assert result["schema"] == f"ems.{words[0]}/1" and result["status"] == "done"


@pytest.mark.parametrize(("words", "places"), [
    (("compare", "series", "--cycle", "nowhere", "--strategy", "rules:none.toml"), ("--cycle", "--strategy")),
    (("explain", "series", "--cycle", "nowhere", "--strategy", "ruls", "--at", "3"), ("--cycle", "--strategy")),
    (("versus", "series", "input-split", "--cycle", "udds", "--same", "wheels", "--strategy", "ruls"), ("--same", "--strategy")),
    (("tune", "series", "--cycle", "nowhere", "--unseen", "elsewhere", "--parameter", "electric.pwr_kW"),
     ("--cycle", "--unseen", "--parameter")),
    (("bridge", "series-chargeable", "--from", "weighting=r101", "--to", "cycle=nowhere"), ("--from", "--to")),
])
def test_mistakes_of_different_options_come_together_and_each_once(ems, words, places):
    ended = ems(*words)
    *told, last = ended.err.splitlines()
    assert ended.code == 1 and [line.split(":")[0] for line in told] == list(places) and last == f"{len(places)} mistakes"


def test_new_writes_no_file_beside_what_is_no_file(ems, tmp_path):
    """A folder, and a device where there is one: told, and nothing is written beside them."""
    folder = tmp_path / "mine"
    folder.mkdir()
    ended = ems("new", "series", str(folder))
    assert ended.code == 1 and f"FILE: found '{folder}', a folder; expected the file to write" in ended.err
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]
    if Path(os.devnull).exists():
        assert "which is no file" in ems("new", "series", os.devnull).err


def test_a_mass_that_leaves_the_road_load_behind_is_told(ems):
    assert "vehicle.mass_kg changes the mass alone" in ems("check", "series", "--set", "vehicle.mass_kg=2000").err
    assert ems("check", "series", "--set", "masses.other_kg=136").err == ""
    assert ems("check", "series", "--set", "vehicle.mass_kg=2000", "--set", "vehicle.road_load_N=184").err == ""
