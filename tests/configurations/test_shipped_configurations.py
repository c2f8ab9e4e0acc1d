"""The derived set of each shipped layout against a list written by hand from its drawing.

Three clutch: K1 joins the engine to the first machine, K2 and K3 join that machine to the odd and the even input; first
and third hang on the odd input, second on the even one, and the second machine is geared to third's wheel. By hand, to
the wheels: 11.5 in first, 5.6 in second, 3 in third; the second machine 7.8 in third. In first it turns through third's
pair backwards and first's forwards, 7.8 * 11.5 / 3 = 29.9, and with both inputs closed 7.8 * 5.6 / 3 = 14.56.
"""

from __future__ import annotations

from fractions import Fraction

import pytest

from ems.configurations import Configuration, Derivation, EngineState, derive
from ems.layout.load import load_layout

F = Fraction
FIRST, SECOND, THIRD = F(23, 2), F(28, 5), F(3)
MG2_FIRST, MG2_BOTH, MG2_THIRD = F(299, 10), F(364, 25), F(39, 5)
FREE = "free"

# engaged: kind, turns of engine, mg1 and mg2 per turn of the wheels (a free engine: those of the rest per engine turn),
# sources that can carry torque, free choices
ELECTRIC = {
    "S1=third": (None, MG2_THIRD, "mg2", 0),            # electric on the second machine, in third
    "S1=first": (None, MG2_FIRST, "mg2", 0),            # and in first
    "K3": (SECOND, None, "mg1", 0),                     # on the first machine, through gear two
    "K3+S1=third": (SECOND, MG2_THIRD, "mg1 mg2", 1),   # both, the first machine through gear two
    "K3+S1=first": (SECOND, MG2_FIRST, "mg1 mg2", 1),
    "K2+S1=third": (THIRD, MG2_THIRD, "mg1 mg2", 1),    # both in the same gear
    "K2+S1=first": (FIRST, MG2_FIRST, "mg1 mg2", 1),
    "K2+K3": (SECOND, MG2_BOTH, "mg1 mg2", 1),          # both through gear two, the second by way of the odd input
}
PARALLEL = {
    "K1+K2+S1=first": (FIRST, FIRST, MG2_FIRST, "engine mg1 mg2", 2),
    "K1+K3": (SECOND, SECOND, None, "engine mg1", 1),
    "K1+K2+S1=third": (THIRD, THIRD, MG2_THIRD, "engine mg1 mg2", 2),
}
EXTRAS = {
    # what the usual mode tables leave out: the engine in second while the second machine stays engaged elsewhere
    "K1+K3+S1=first": (SECOND, SECOND, MG2_FIRST, "engine mg1 mg2", 2),
    "K1+K3+S1=third": (SECOND, SECOND, MG2_THIRD, "engine mg1 mg2", 2),
    "K1+K2+K3": (SECOND, SECOND, MG2_BOTH, "engine mg1 mg2", 2),    # and coupled to it by the odd input
}
SERIES = {"K1+S1=first": MG2_FIRST, "K1+S1=third": MG2_THIRD}
CHARGING = {"K1": (F(0), 2), "K1+K2": (F(13, 5), 3)}    # the latter turns mg2 at 1.95 / 0.75 of the engine
TIE_UPS = {"K2+K3+S1=first", "K2+K3+S1=third", "K1+K2+K3+S1=first", "K1+K2+K3+S1=third"}
HELD_BY_STOPPED_ENGINE = {"K1+K3", "K1+K3+S1=first", "K1+K3+S1=third", "K1+K2+S1=first", "K1+K2+S1=third", "K1+K2+K3"}


@pytest.fixture(scope="module")
def three_clutch() -> Derivation:
    return derive(load_layout("three-clutch"))


def at(derivation: Derivation, word: str) -> Configuration:
    found = derivation.find(word)
    assert found is not None and found.id == word
    return found


def wheel_speeds(c: Configuration) -> tuple[Fraction, ...]:
    assert all(free == 0 for _, free in c.speed_map)
    return tuple(wheel for wheel, _ in c.speed_map)


def test_three_clutch_is_exactly_the_list(three_clutch):
    by_hand = {f"off:{word}" for word in ELECTRIC} | {f"on:{word}" for word in ELECTRIC}   # engine idling beside
    by_hand |= {f"on:{word}" for word in (*PARALLEL, *EXTRAS, *SERIES, *CHARGING)}
    by_hand |= {"off:open", "on:open"}
    assert {c.id for c in three_clutch.configurations} == by_hand
    assert len(by_hand) == 28
    assert three_clutch.actuator_states == 24
    assert {t.state.words for t in three_clutch.tie_ups} == TIE_UPS
    assert {t.reason for t in three_clutch.tie_ups} == {"locks the wheels: two ratios at once"}


@pytest.mark.parametrize("word", ELECTRIC)
def test_electric(three_clutch, word):
    mg1, mg2, active, freedom = ELECTRIC[word]
    off, on = at(three_clutch, f"off:{word}"), at(three_clutch, f"on:{word}")
    assert wheel_speeds(off) == (0, mg1 or 0, mg2 or 0)
    assert (off.kind, on.kind) == ("electric", "electric, engine idling")
    assert " ".join(off.active) == " ".join(on.active) == active
    assert off.degrees_of_freedom == on.degrees_of_freedom == freedom
    assert on.idling and on.speed_map == ((0, 1), *off.speed_map[1:])     # the engine alone turns at its own speed


@pytest.mark.parametrize("word", [*PARALLEL, *EXTRAS])
def test_parallel(three_clutch, word):
    engine, mg1, mg2, active, freedom = {**PARALLEL, **EXTRAS}[word]
    c = at(three_clutch, f"on:{word}")
    assert wheel_speeds(c) == (engine, mg1, mg2 or 0)
    assert (c.kind, c.ratio, c.free_speed) == ("parallel", engine, None)
    assert (" ".join(c.active), c.degrees_of_freedom) == (active, freedom)


@pytest.mark.parametrize("word", SERIES)
def test_series(three_clutch, word):
    c = at(three_clutch, f"on:{word}")
    assert c.speed_map == ((0, 1), (0, 1), (SERIES[word], 0))
    assert (c.kind, c.free_speed, c.ratio, c.degrees_of_freedom) == ("series", "engine", None, 2)
    assert c.balances == ((1, -1, 0, 0), (0, 0, 1, -SERIES[word]))   # engine against mg1; mg2 against the wheels


@pytest.mark.parametrize("word", CHARGING)
def test_charging_at_standstill(three_clutch, word):
    mg2, freedom = CHARGING[word]
    c = at(three_clutch, f"on:{word}")
    assert c.speed_map == ((0, 1), (0, 1), (0, mg2))
    assert (c.kind, c.wheel_driven, c.degrees_of_freedom) == ("charging", False, freedom)
    assert c.speed_range_kmh[0] == 0.0 and c.id in three_clutch.neutral


def test_states_with_the_same_statics_are_one(three_clutch):
    """Where clutches cost nothing; as shipped, those in which they are held for nothing are forbidden, and no more."""
    costs = [f"clutches.{k}.{what}=0" for k in ("K1", "K2", "K3") for what in ("hold_W", "drag_Nm")]
    free = derive(load_layout("three-clutch", overrides=("forbid=[]", *costs)))
    assert {c.id for c in free.configurations} == {c.id for c in three_clutch.configurations}
    groups = {c.id: set(c.equivalents) for c in free.configurations if c.equivalents}
    assert groups == {
        "off:open": {"K1", "K2", "K1+K2"},      # nothing reaches the wheels, nothing needs to turn
        "on:open": {"K2"},                      # the engine by itself
        "off:S1=first": {"K1+S1=first"},        # a stopped engine's clutch carries nothing
        "off:S1=third": {"K1+S1=third"},
    }
    assert at(free, "off:open").kind == "neutral" and free.find("off:K1+K2").id == "off:open"
    held = derive(load_layout("three-clutch", overrides=("forbid=[]",)))
    engine = {i: at(three_clutch, i).engine.prefix for i in groups}
    told = {f"{engine[i]}:{state}" for i, states in groups.items() for state in states}
    found = {f"{c.engine.prefix}:{s}" for c in held.configurations for s in (c.id.partition(":")[2], *c.equivalents)}
    assert found - {c.id for c in three_clutch.configurations} == told      # two clutches that cost the same held are one


def test_a_stopped_engine_clutched_to_the_wheels_cannot_be_used(three_clutch):
    told = {n.state.words for n in three_clutch.notes if "stopped engine holds the wheels" in n.reason}
    assert told == HELD_BY_STOPPED_ENGINE == {n.state.words for n in three_clutch.notes}
    for word in HELD_BY_STOPPED_ENGINE:
        assert three_clutch.find(f"off:{word}") is None and three_clutch.find(f"on:{word}") is not None


def test_three_clutch_speed_ranges(three_clutch):
    """Engine from idle to its top speed over its ratio, the second machine to its own: whichever ends first."""
    layout = load_layout("three-clutch")
    engine, mg2 = layout.engine.engine, layout.machines[1].machine
    kmh = layout.vehicle.wheel_radius_m * 3.6
    low, high = at(three_clutch, "on:K1+K3").speed_range_kmh
    assert (low, high) == pytest.approx((engine.idle_rad_s / 5.6 * kmh, engine.max_rad_s / 5.6 * kmh), rel=1e-12)
    low, high = at(three_clutch, "on:K1+K2+S1=first").speed_range_kmh
    assert (low, high) == pytest.approx((engine.idle_rad_s / 11.5 * kmh, mg2.max_rad_s / 29.9 * kmh), rel=1e-12)


def test_input_split():
    """Sun turns (1 + rho) carrier - rho ring, rho = 78 / 30; ring 3.3 times the wheels, mg2 94 / 33 of that."""
    derivation = derive(load_layout("input-split"))
    off, on = derivation.configurations
    assert (derivation.actuator_states, derivation.tie_ups, derivation.notes) == (1, (), ())
    assert (off.id, off.kind, off.active, off.degrees_of_freedom) == ("off:open", "electric", ("mg2",), 0)
    assert off.speed_map == ((0, 0), (F(-429, 50), 0), (F(47, 5), 0))       # -2.6 * 3.3 = -8.58
    assert (on.id, on.kind, on.active, on.degrees_of_freedom) == (
        "on:open", "power split", ("engine", "mg1", "mg2"), 2)
    assert on.speed_map == ((0, 1), (F(-429, 50), F(18, 5)), (F(47, 5), 0))
    # 5/18 of the engine's torque on the sun, 13/18 on the ring, over 3.3: 143/60 at the wheels
    assert on.balances == ((1, F(-5, 18), 0, F(-143, 60)), (0, 0, 1, F(-47, 5)))


def test_series_layout():
    derivation = derive(load_layout("series"))
    off, on = derivation.configurations
    assert (off.id, off.kind, off.active, off.degrees_of_freedom) == ("off:open", "electric", ("mg2",), 0)
    assert (on.id, on.kind, on.active, on.degrees_of_freedom) == ("on:open", "series", ("engine", "mg1", "mg2"), 2)
    assert on.speed_map == ((0, 1), (0, 2), (9, 0)) and off.speed_map == ((0, 0), (0, 0), (9, 0))
    assert (off.engine, on.engine) == (EngineState.STOPPED, EngineState.RUNNING)
