"""Nothing that is derived depends on what things are called or in which order a file names them."""

from __future__ import annotations

import copy
import tomllib
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ems.configurations import Configuration, derive
from ems.configurations.exact import reduced_rows
from ems.layout.based_on import read_layout
from ems.layout.load import layout_from
from ems.library import find
from ems.plant.torque_maps import torque_maps

EVERYTHING = """
name = "one of each"
vehicle = "hill-taxi"
battery = "hybrid-1k5"
engine = { shaft = "crank", map = "dedicated-1500", fuel_cut = true }
machines.mg1 = { shaft = "sun", map = "machine-75" }
machines.mg2 = { shaft = "ring", map = "machine-120" }
machines.alternator = { shaft = "belt", map = "alternator-3", drives = false }
planetary_sets.split.sun = "sun"
planetary_sets.split.ring = "ring"
planetary_sets.split.carrier = "crank"
planetary_sets.split.ratio = 2.6
planetary_sets.split.max_pinion_rpm = 12000
planetary_sets.split.capacity_Nm = 200
planetary_sets.split.capacity_at = "carrier"
gears.belt = { from = "belt", to = "crank", ratio = 2.5 }
gears.final = { from = "ring", to = "diff", ratio = 3.1, capacity_Nm = 900, capacity_at = "to" }
gears.first = { from = "in", to = "wheel-1", ratio = 4 }
clutches.K1 = { joins = ["crank", "in"], slips = true, capacity_Nm = 300, max_slip_rpm = 6000, drag_Nm = 1, hold_W = 9 }
brakes.B1 = { holds = "sun", drag_Nm = 0.5, capacity_Nm = 80, engagement_s = 0.2 }
one_way.F1 = { from = "ground", to = "crank", drag_Nm = 0.1 }
one_way.F2 = { from = "wheel-1", to = "out" }
shifters.S1 = { hub = "out", positions = { low = "diff", direct = "ring" }, engagement_s = 0.1 }
axles.front = { shaft = "diff" }
shafts.diff = { inertia_kgm2 = 0.05, drag_Nm = 1, drag_Nms_rad = 0.01, max_rpm = 3000 }
shafts.out = { inertia_kgm2 = 0.01 }
pump = { engine_stopped_W = 50 }
"""
SHIPPED = ("three-clutch", "input-split", "series", "two-mode", "plain-car")
NAMES = (*SHIPPED, "everything")
SECTIONS = ("machines", "gears", "planetary_sets", "clutches", "brakes", "one_way", "shifters", "axles", "shafts")
RAW = {name: read_layout(find("layout", name, where="test"), name).data for name in SHIPPED}
RAW["everything"] = tomllib.loads(EVERYTHING, parse_float=Decimal)

SETTINGS = settings(max_examples=5, deadline=None, derandomize=True,
                    suppress_health_check=[HealthCheck.too_slow])


def renamed(data: dict[str, Any], new: dict[str, str]) -> dict[str, Any]:
    """The same file with other names for shafts."""
    out = copy.deepcopy(data)
    for table in (out["engine"], *out["machines"].values(), *out.get("axles", {}).values()):
        table["shaft"] = new[table["shaft"]]
    for section in ("gears", "planetary_sets", "shifters", "brakes", "one_way"):
        for table in out.get(section, {}).values():
            for key in ("from", "to", "sun", "ring", "carrier", "hub", "holds"):
                if key in table:
                    table[key] = new.get(table[key], "ground")
    for table in out.get("shifters", {}).values():
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
            c.degrees_of_freedom, c.ratio, c.free_speed, c.idling, c.wheel_driven, c.hold_W, c.pump_W, c.slipping,
            frozenset(c.locked), burdens(c),
            tuple(round(v, 9) for v in c.speed_range_kmh), frozenset(map(state, c.equivalents)),
            tuple(round(v, 12) for v in torque_maps(layout, c).kinetic))
        for c in derivation.configurations
    }
    found["tie-ups"] = {(state(t.state.words), t.reason) for t in derivation.tie_ups}
    found["notes"] = {(state(n.state.words), n.reason) for n in derivation.notes}
    return found


def burdens(c: Configuration) -> tuple[Any, ...]:
    """Slips, limits and drags, whichever way round a joint is written and a difference is counted."""
    return (
        frozenset((s.clutch, s.wheel, s.free) for s in c.slips),
        frozenset(sign(s.wheel, s.free, s.low_rad_s, s.high_rad_s) for s in c.speed_limits),
        frozenset((m.joint, abs(m.factor), m.low_Nm, m.high_Nm) for m in c.load_limits),
        frozenset((*sign(d.wheel, d.free, 0.0, 0.0), d.constant_Nm, d.viscous_Nms_rad) for d in c.drags))


def sign(wheel: Fraction, free: Fraction, low: float, high: float) -> tuple[Any, ...]:
    """The same limit with the first speed that is not zero counted positive."""
    turned = (wheel or free) < 0
    return (-wheel, -free, -high, -low) if turned else (wheel, free, low, high)


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
