"""Nothing that is derived depends on what things are called or in which order a file names them."""

from __future__ import annotations

import copy
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ems.configurations import Configuration, derive
from ems.configurations.exact import reduced_rows
from ems.inputfile import read_toml
from ems.layout.load import layout_from
from ems.library import find
from ems.plant.torque_maps import torque_maps

NAMES = ("three-clutch", "input-split", "series")
SECTIONS = ("machines", "gears", "planetary_sets", "clutches", "shifters", "axles", "shafts")
RAW = {name: read_toml(find("layout", name, where="test"), name) for name in NAMES}

SETTINGS = settings(max_examples=12, deadline=None, derandomize=True,
                    suppress_health_check=[HealthCheck.too_slow])


def renamed(data: dict[str, Any], new: dict[str, str]) -> dict[str, Any]:
    """The same file with other names for shafts."""
    out = copy.deepcopy(data)
    for table in (out["engine"], *out["machines"].values(), *out.get("axles", {}).values()):
        table["shaft"] = new[table["shaft"]]
    for table in (*out.get("gears", {}).values(), *out.get("planetary_sets", {}).values(),
                  *out.get("shifters", {}).values()):
        for key in ("from", "to", "sun", "ring", "carrier", "hub"):
            if key in table:
                table[key] = new[table[key]]
        if "positions" in table:
            table["positions"] = {word: new[shaft] for word, shaft in table["positions"].items()}
    for table in out.get("clutches", {}).values():
        table["joins"] = [new[shaft] for shaft in table["joins"]]
    out["shafts"] = {new[shaft]: table for shaft, table in out.get("shafts", {}).items()}
    return out


def reordered(data: dict[str, Any], draw: Any) -> dict[str, Any]:
    """The same file with sections and the elements of each in another order, gears and clutches turned round."""
    out = copy.deepcopy(data)
    for section in (s for s in SECTIONS if s in out):
        out[section] = {key: out[section][key] for key in draw(st.permutations(list(out[section])))}
    for table in out.get("clutches", {}).values():
        if draw(st.booleans()):
            table["joins"].reverse()
    for table in out.get("shifters", {}).values():
        words = draw(st.permutations(list(table["positions"])))
        table["positions"] = {word: table["positions"][word] for word in words}
    return {key: out[key] for key in draw(st.permutations(list(out)))}


def state(words: str) -> frozenset[str]:
    return frozenset(words.split("+"))


def essence(layout) -> dict[Any, Any]:
    """Everything derived, free of order: by engine state and set of engaged actuators."""
    derivation = derive(layout)
    found: dict[Any, Any] = {
        (c.engine, state(c.state.words)): (
            c.kind, dict(zip(c.sources, c.speed_map, strict=True)), frozenset(c.active), balances(c),
            c.degrees_of_freedom, c.ratio, c.free_speed, c.idling, c.wheel_driven, c.hold_W,
            tuple(round(v, 9) for v in c.speed_range_kmh), frozenset(map(state, c.equivalents)),
            round(torque_maps(layout, c).kinetic[0], 12))
        for c in derivation.configurations
    }
    found["tie-ups"] = {(state(t.state.words), t.reason) for t in derivation.tie_ups}
    found["notes"] = {(state(n.state.words), n.reason) for n in derivation.notes}
    return found


def balances(c: Configuration) -> tuple[tuple[Fraction, ...], ...]:
    """The space of balances in one reduced form, sources sorted by name."""
    order = sorted(range(len(c.sources)), key=lambda j: c.sources[j])
    rows = [[b[j] for j in (*order, len(c.sources))] for b in c.balances]
    return tuple(map(tuple, reduced_rows(rows)[0])) if rows else ()


@pytest.mark.parametrize("name", NAMES)
def test_names_of_shafts(name):
    plain = layout_from(RAW[name], name="a", where="a.toml")
    expected = essence(plain)

    @SETTINGS
    @given(st.permutations(range(len(plain.shafts))))
    def check(order):
        new = {shaft: f"s{i}" for shaft, i in zip(plain.shafts, order, strict=True)}
        assert essence(layout_from(renamed(RAW[name], new), name="a", where="a.toml")) == expected

    check()


@pytest.mark.parametrize("name", NAMES)
def test_order_in_the_file(name):
    expected = essence(layout_from(RAW[name], name="a", where="a.toml"))

    @SETTINGS
    @given(st.data())
    def check(data):
        changed = reordered(RAW[name], data.draw)
        assert essence(layout_from(changed, name="a", where="a.toml")) == expected

    check()


def test_the_check_would_see_a_change():
    """A ratio changed by a thousandth, or a clutch that joins something else, is another essence."""
    expected = essence(layout_from(RAW["three-clutch"], name="a", where="a.toml"))
    for section, name, change in (("gears", "second", {"ratio": Decimal("1.401")}),
                                  ("clutches", "K2", {"joins": ["crank", "odd"]})):
        data = copy.deepcopy(RAW["three-clutch"])
        data[section][name].update(change)
        assert essence(layout_from(data, name="a", where="a.toml")) != expected
