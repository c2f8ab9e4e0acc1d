"""``ems chargeable`` and ``ems bridge``: what they say, what they write, how they fail."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest


@pytest.fixture
def steady(tmp_path):
    path = tmp_path / "steady.csv"
    path.write_text("# title: steady\n# source: invented for the test\ntime_s,speed_kmh\n" + "".join(f"{t},45\n" for t in range(121)))
    return str(path)


def test_json_has_all_three_kinds_of_figures_and_the_texts(ems, steady):
    ended = ems("chargeable", "series-chargeable", "--cycle", steady, "--charge", "0.22:0.2", "--no-blended", "--no-correction", "--json",
                "--out", "o")
    assert ended.code == 0, ended.err
    result = ended.json
    assert result["schema"] == "ems.chargeable/1"
    assert {"depleting", "sustaining", "weighted", "legs"} <= set(result)
    assert set(result["weighted"]) == {"r101-de", "r101-dovc", "uf-800", "uf-2200", "uf-4260", "j2841-fleet", "j2841-individual"}
    assert all(text["left_out"] and text["in_force"] for text in result["regulations"])
    with Path("o/legs.csv").open() as file:
        assert len(list(csv.DictReader(file))) == len(result["legs"])


def test_text_says_that_it_is_no_type_approval(ems, steady):
    ended = ems("bridge", "series-chargeable", "--from", f"cycle={steady}", "--from", "charge=0.22:0.2", "--to", "vehicle.mass_kg=1800")
    assert ended.code == 0, ended.err
    assert "no type-approval" in ended.out
    assert "road load and mass" in ended.out


def test_bridge_tells_every_mistake_at_once(ems):
    ended = ems("bridge", "series-chargeable", "--from", "cycl=nedc", "--from", "weighting=r102", "--to", "charge=90:20",
                "--to", "cycle=nedk")
    assert ended.code == 1
    lines = ended.err.splitlines()
    for word in ("cycl", "r102", "charge", "nedk"):
        assert any(word in line for line in lines), word
    assert len(lines) == len(set(lines))


def test_chargeable_tells_mistakes(ems):
    ended = ems("chargeable", "series-chargeabel", "--charge", "0.9", "--cycle", "nedk")
    assert ended.code == 1
    assert "series-chargeable" in ended.err and "START:END" in ended.err and "nedc" in ended.err
