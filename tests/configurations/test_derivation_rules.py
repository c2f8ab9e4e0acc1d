"""What the derivation may and may not find, on small layouts made for one question each."""

from __future__ import annotations

from fractions import Fraction

import pytest

from ems.configurations import derive
from ems.errors import InputError

SPLIT = """
machines.mg1 = { shaft = "sun", map = "machine-75" }
machines.mg2 = { shaft = "ring", map = "machine-120" }
planetary_sets.split = { sun = "sun", ring = "ring", carrier = "crank", teeth = { sun = 30, ring = 78 } }
gears.final = { from = "ring", to = "diff", ratio = 3 }
"""


def ids(derivation):
    return {c.id for c in derivation.configurations}


def reasons(derivation, word):
    return {n.reason for n in derivation.notes if n.state.words == word}


# -------------------------------------------------------------------------------------------- a stopped engine


def test_a_stopped_engine_gives_no_reaction(layout_of):
    """Zero speed and zero torque: the machine on the sun has nothing to push against."""
    off = derive(layout_of(SPLIT)).find("off:open")
    assert (off.active, off.degrees_of_freedom) == (("mg2",), 0)
    assert off.balances == ((0, 0, 1, -3),)


def test_a_brake_on_the_carrier_does(layout_of):
    """Held carrier: w_sun = -2.6 w_ring, both machines drive; the engine cannot turn then, so it cannot run."""
    derivation = derive(layout_of(SPLIT + 'brakes.B1 = { holds = "crank", hold_W = 20 }\n'))
    assert ids(derivation) == {"off:open", "on:open", "off:B1"}
    both = derivation.find("off:B1")
    assert (both.kind, both.active, both.degrees_of_freedom, both.hold_W) == ("electric", ("mg1", "mg2"), 1, 20.0)
    assert both.speed_map == ((0, 0), (Fraction(-39, 5), 0), (3, 0))
    # a torque of one on the sun: -2.6 of it reach the ring, times 3 the wheels
    assert both.balances == ((0, 1, 0, Fraction(39, 5)), (0, 0, 1, -3))
    assert reasons(derivation, "B1") == {"engine cannot turn"}


def test_an_engine_geared_to_the_wheels_for_good_never_stops(layout_of):
    derivation = derive(layout_of('gears.final = { from = "crank", to = "diff", ratio = 4 }\n'))
    assert ids(derivation) == {"on:open"}
    (c,) = derivation.configurations
    assert (c.kind, c.ratio, c.degrees_of_freedom) == ("engine", 4, 0)
    assert c.speed_range_kmh[0] > 0.0 and "a stopped engine holds the wheels" in next(iter(reasons(derivation, "open")))


# ------------------------------------------------------------------------------------------------- tie-ups, loops


def test_every_state_a_tie_up_is_refused(layout_of):
    stuck = layout_of("""
        gears.a = { from = "crank", to = "diff", ratio = 3 }
        gears.b = { from = "crank", to = "diff", ratio = 4 }
        clutches.K1 = { joins = ["crank", "diff"] }
    """)
    with pytest.raises(InputError, match=r"all actuator states \(2\) lock the wheels; expected at least one"):
        derive(stuck)


def test_a_limit_that_no_car_speed_keeps_is_another_message(layout_of):
    """The generator turns fifty times as fast as the engine: too fast at idle already."""
    with pytest.raises(InputError, match="0 of 1 actuator states lock the wheels; no other can be used"):
        derive(layout_of("""
            machines.mg1 = { shaft = "rotor", map = "machine-75" }
            gears.up = { from = "rotor", to = "crank", ratio = 50 }
            gears.final = { from = "crank", to = "diff", ratio = 4 }
        """))


def test_a_redundant_loop_is_told(layout_of):
    """Ratios 1/3 over two stages and in one: equal as fractions, not as decimals; consistent, so no tie-up."""
    loop = """
        clutches.K1 = { joins = ["crank", "in"] }
        gears.a = { from = "in", to = "lay", teeth = [30, 10] }
        gears.b = { from = "lay", to = "diff", teeth = [70, 70] }
        gears.c = { from = "in", to = "diff", teeth = [LOOP] }
    """
    derivation = derive(layout_of(loop.replace("LOOP", "63, 21")))
    assert derivation.tie_ups == () and derivation.find("on:K1").ratio == Fraction(1, 3)
    assert any("redundant joints" in reason for reason in reasons(derivation, "K1"))
    with pytest.raises(InputError, match=r"all actuator states \(2\) lock the wheels"):
        derive(layout_of(loop.replace("LOOP", "631, 210")))      # 0.16 % away: locks whatever is engaged


def test_a_brake_that_locks_the_wheels_is_not_called_two_ratios(layout_of):
    derivation = derive(layout_of(SPLIT + 'brakes.B1 = { holds = "ring" }\n'))
    ((state, reason),) = [(t.state.words, t.reason) for t in derivation.tie_ups]
    assert state == "B1" and "two ratios" not in reason


# --------------------------------------------------------------------------------------------- forbid, at_most_one


def test_forbid_takes_a_configuration_out(shipped, layout_of):
    data = shipped("three-clutch")
    del data["forbid"]
    everything = ids(derive(layout_of(data)))
    data["forbid"] = ["on:K1+K3+S1=third", "off:K1"]
    assert ids(derive(layout_of(data))) == everything - set(data["forbid"])


def test_forbid_of_an_equivalent_leaves_the_others(shipped, layout_of):
    """With nothing that tells them apart, off:K1, off:K2 and off:K1+K2 are off:open; the state itself must not go with them."""
    data = shipped("three-clutch")
    for clutch in data["clutches"].values():
        clutch["hold_W"] = clutch["drag_Nm"] = 0
    derivation = derive(layout_of(data))
    assert "off:open" in ids(derivation) and not any(c.equivalents for c in derivation.configurations)
    del data["forbid"]
    assert ids(derive(layout_of(data))) == ids(derivation)
    data["forbid"] = ["off:open", "off:K2"]
    assert ids(derive(layout_of(data))) == ids(derivation) - {"off:open"}


def test_forbid_of_nothing_is_refused_with_every_mistake(shipped, layout_of):
    """Wrong words are told when the file is read; right words for nothing when it is derived."""
    wrong = ["on:K1+K3+S1=thrid", "K1+K3", "up:K1", "on:K1"]
    with pytest.raises(InputError) as raised:
        layout_of({**shipped("three-clutch"), "forbid": wrong, "vehicle": "hil-taxi"})
    assert [(m.key, m.nearest) for m in raised.value.mistakes] == [
        ("forbid.1", "on:K1+K3+S1=third"), ("forbid.2", None), ("forbid.3", None), ("vehicle", "hill-taxi")]
    with pytest.raises(InputError) as raised:
        derive(layout_of({**shipped("three-clutch"), "forbid": ["off:K1+K3", "on:K1", "cut:*"]}))
    assert [m.key for m in raised.value.mistakes] == ["forbid.1", "forbid.3"]


def test_forbid_takes_parts_in_any_order_and_a_star(shipped, layout_of):
    data = shipped("three-clutch")
    del data["forbid"]
    everything = ids(derive(layout_of(data)))
    derivation = derive(layout_of({**data, "forbid": ["on:S1=third+K3+K1", "off:*"]}))
    assert ids(derivation) == {i for i in everything if i.startswith("on:")} - {"on:K1+K3+S1=third"}


@pytest.mark.parametrize(("group", "states", "tie_ups"), [
    (["K2", "K3"], 18, 0),              # 6 of 24 have both
    (["K2", "K3", "S1"], 10, 0),        # K1 by one of: none, K2, K3, first, third
    (["K3", "S1=first"], 20, 2),        # 4 of 24 have both, two of which are tie-ups
])
def test_at_most_one(shipped, layout_of, group, states, tie_ups):
    derivation = derive(layout_of({**shipped("three-clutch"), "at_most_one": [group]}))
    assert (derivation.actuator_states, len(derivation.tie_ups)) == (states, tie_ups)
    for c in derivation.configurations:
        engaged = {*c.state.engaged, *(name for name, position in c.state.shifters if position)}
        assert len(engaged & set(group)) <= 1


def test_a_shifter_without_neutral_is_always_in_a_gear(shipped, layout_of):
    data = shipped("three-clutch")
    del data["forbid"]
    data["shifters"]["S1"]["neutral"] = False
    derivation = derive(layout_of(data))
    assert derivation.actuator_states == 16
    assert all(dict(c.state.shifters)["S1"] in ("first", "third") for c in derivation.configurations)
    assert not {c.id for c in derivation.configurations if c.kind == "neutral"}


# ------------------------------------------------------------------------------------------------------ other kinds


def test_axles_are_coupled_by_the_road(layout_of):
    derivation = derive(layout_of("""
        axles.rear.shaft = "rear-diff"
        machines.mg1 = { shaft = "rotor", map = "machine-120" }
        gears.rear = { from = "rotor", to = "rear-diff", ratio = 9 }
        clutches.K1 = { joins = ["crank", "diff"] }
    """))
    assert {c.id: c.kind.value for c in derivation.configurations} == {
        "off:open": "electric", "on:open": "electric, engine idling", "on:K1": "parallel"}
    assert derivation.find("on:K1").balances == ((1, 0, -1), (0, 1, -9))


def test_reverse_idler_has_a_negative_ratio(layout_of):
    derivation = derive(layout_of("""
        machines.mg1 = { shaft = "rotor", map = "machine-120" }
        gears.turn = { from = "rotor", to = "diff", ratio = -7.25 }
        clutches.K1 = { joins = ["crank", "diff"] }
    """))
    off = derivation.find("off:open")
    assert off.speed_map[1] == (Fraction(-29, 4), 0) and off.balances == ((0, 1, Fraction(29, 4)),)


def test_a_free_machine_speed_is_a_neutral(layout_of):
    """Two machines on sun and carrier, wheels on the ring: with the engine away one machine's speed is free.

    What is honest then is a neutral: no torque anywhere, the stronger machine (on the carrier) at rest, the other
    carried along by the ring at -2.6.
    """
    derivation = derive(layout_of("""
        machines.mg1 = { shaft = "sun", map = "machine-75" }
        machines.mg2 = { shaft = "carrier", map = "machine-120" }
        planetary_sets.split = { sun = "sun", ring = "diff", carrier = "carrier", ratio = 2.6 }
        clutches.K1 = { joins = ["crank", "carrier"] }
    """))
    assert ids(derivation) == {"off:K1", "on:K1", "off:open", "on:open"}
    off, on = derivation.find("off:open"), derivation.find("on:open")
    assert (off.kind, off.active, off.balances, off.wheel_driven) == ("neutral", (), (), False)
    assert off.speed_map == ((0, 0), (Fraction(-13, 5), 0), (0, 0))
    assert (on.kind, on.idling, on.degrees_of_freedom) == ("neutral, engine idling", True, 0)
    told = reasons(derivation, "open")
    assert len(told) == 4 and all("turns free of wheels and engine; used without its torque" in r for r in told)


@pytest.mark.parametrize(("inertia", "merged"), [(0.0, True), (0.02, False)])
def test_states_are_one_only_when_the_same_shafts_turn(layout_of, inertia, merged):
    """K2 alone drags a shaft along that leads nowhere: the same statics, another inertia."""
    derivation = derive(layout_of(f"""
        machines.mg1 = {{ shaft = "rotor", map = "machine-120" }}
        gears.final = {{ from = "rotor", to = "diff", ratio = 9 }}
        clutches.K2 = {{ joins = ["rotor", "lay"] }}
        clutches.K3 = {{ joins = ["lay", "crank"] }}
        shafts.lay = {{ inertia_kgm2 = {inertia} }}
    """))
    assert derivation.find("off:K3").id == "off:open"       # at rest either way
    assert (derivation.find("off:K2").id == "off:open") is merged
