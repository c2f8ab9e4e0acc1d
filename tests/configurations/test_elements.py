"""What slipping and one-way clutches, fuel cut, drags, limits and times make of the derivation, worked by hand."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest

from ems.configurations import derive
from ems.errors import InputError

F = Fraction

LAUNCH = """
machines.mg1 = { shaft = "crank", map = "machine-75" }
clutches.K1 = { joins = ["crank", "in"], slips = true, capacity_Nm = 300, max_slip_rpm = 5000 }
clutches.K2 = { joins = ["in", "lay"] }
gears.low = { from = "lay", to = "diff", ratio = 12 }
"""

SPLIT = """
machines.mg1 = { shaft = "sun", map = "machine-75" }
machines.mg2 = { shaft = "ring", map = "machine-120" }
[planetary_sets.split]
sun = "sun"
ring = "ring"
carrier = "crank"
teeth = { sun = 30, ring = 78 }
max_pinion_rpm = 9000
capacity_Nm = 120
[gears]
final = { from = "ring", to = "diff", ratio = 3 }
"""

TWO_SPEED = """
machines.mg1 = { shaft = "crank", map = "machine-75" }
gears.first = { from = "crank", to = "wheel-1", ratio = 10 }
gears.second = { from = "crank", to = "wheel-2", ratio = 5 }
one_way.F1 = { from = "wheel-1", to = "diff", drag_Nm = 2 }
clutches.K2 = { joins = ["wheel-2", "diff"] }
"""


def ids(derivation):
    return {c.id for c in derivation.configurations}


# ----------------------------------------------------------------------------------------------------- slipping clutch


def test_a_slipping_clutch_is_open_for_speeds_and_closed_for_torques(layout_of):
    layout = layout_of(LAUNCH)
    derivation = derive(layout)
    assert ids(derivation) == {"off:open", "off:K2", "on:open", "on:K2", "on:K1+K2", "on:K1~+K2"}   # K2: K1's sides differ
    launch, closed = derivation.find("on:K1~+K2"), derivation.find("on:K1+K2")
    assert (launch.kind, launch.slipping, launch.free_speed, launch.ratio) == ("launch", ("K1",), "engine", None)
    assert launch.speed_map == ((0, 1), (0, 1)) and launch.balances == closed.balances
    (slip,) = launch.slips
    assert (slip.wheel, slip.free) == (-12, 1)              # engine minus twelve times the wheels
    assert launch.speed_range_kmh[0] == 0.0 and closed.speed_range_kmh[0] > 0.0
    assert {(m.low_Nm, m.high_Nm) for m in launch.load_limits} == {(0.0, 300.0)}
    assert {(m.low_Nm, m.high_Nm) for m in closed.load_limits} == {(-300.0, 300.0)}


@pytest.mark.parametrize("joins", ['["crank", "in"]', '["in", "crank"]'])
def test_what_goes_in_and_does_not_come_out_is_the_heat(layout_of, load_of, joins):
    """Engine 70, machine 30 at 200 rad/s, wheels at 5: the clutch passes 100 to shafts at 60, so 14 kW are heat."""
    layout = layout_of(LAUNCH.replace('["crank", "in"]', joins))
    c = derive(layout).find("on:K1~+K2")
    torques = (F(70), F(30), F(-1200))
    (slip,) = c.slips
    passed = slip.factor * load_of(layout, c, "K1", torques)
    assert passed == 100
    heat_W = passed * (slip.wheel * 5 + slip.free * 200)
    assert heat_W == 100 * 200 - 1200 * 5 == 14_000


@pytest.mark.parametrize("change", [
    ("slips = true, ", ""),                                                     # not able to
    ('joins = ["crank", "in"]', 'joins = ["crank", "gone"]'),                  # leads nowhere
])
def test_no_launch_where_there_is_nothing_to_launch(layout_of, change):
    text = LAUNCH.replace(*change)
    if "gone" in text:
        text += 'brakes.B1.holds = "gone"\nclutches.K3 = { joins = ["crank", "in"] }\n'
    assert not [i for i in ids(derive(layout_of(text))) if "~" in i]


def test_no_launch_into_a_tie_up(layout_of):
    """Closing K1 beside a second ratio would lock the wheels, so it may not slip either."""
    derivation = derive(layout_of(LAUNCH + """
        gears.high = { from = "crank", to = "top", ratio = 3 }
        clutches.K3 = { joins = ["top", "diff"] }
    """))
    assert {i for i in ids(derivation) if "~" in i} == {"on:K1~+K2"}
    assert {t.state.words for t in derivation.tie_ups} == {"K1+K2+K3"}


# ---------------------------------------------------------------------------------------------------- one-way clutches


def test_a_one_way_clutch_drives_and_overruns(layout_of, load_of):
    """Locked, it is a first speed that can only push; beyond, and in second, it overruns and drags."""
    layout = layout_of(TWO_SPEED)
    derivation = derive(layout)
    first, free, second = derivation.find("on:F1"), derivation.find("on:open"), derivation.find("on:K2")
    assert ids(derivation) == {"off:open", "on:open", "on:F1", "on:K2"} and derivation.tie_ups == ()
    assert (first.kind, first.ratio, first.locked, first.drags) == ("parallel", 10, ("F1",), ())
    (push,) = first.load_limits
    assert (push.low_Nm, push.high_Nm) == (0.0, math.inf)
    assert push.factor * load_of(layout, first, "F1", (F(50), F(0), F(-500))) == 500    # the engine pushes: allowed
    assert push.factor * load_of(layout, first, "F1", (F(-50), F(0), F(500))) == -500   # overrun: not
    (drag,) = second.drags
    assert (drag.wheel, drag.free, drag.constant_Nm) == (F(-1, 2), 0, 2.0)              # wheel-1 at half the wheels
    idle = layout.engine.engine.idle_rad_s * layout.vehicle.wheel_radius_m * 3.6
    assert free.speed_range_kmh[0] == pytest.approx(idle / 10)       # slower, the idling engine would lock it


def test_a_speed_that_a_one_way_clutch_rules_out_is_a_tie_up(layout_of):
    """A ratio shorter than first makes wheel-1 turn faster than the wheels, which F1 does not let it."""
    derivation = derive(layout_of(TWO_SPEED + """
        gears.crawler = { from = "crank", to = "wheel-0", ratio = 20 }
        clutches.K0 = { joins = ["wheel-0", "diff"] }
    """))
    assert {t.state.words: t.reason for t in derivation.tie_ups} == {
        "K0": "locks the wheels forwards: one-way clutch F1", "K2+K0": "locks the wheels: two ratios at once"}


def test_a_stopped_engine_on_a_one_way_clutch_takes_torque(layout_of, load_of):
    """Carrier kept from turning backwards: mg1 may drive (it turns backwards, torque -1), not recover.

    -1 on the sun and -2.6 on the ring, so 3.6 from the housing.
    """
    layout = layout_of(SPLIT + '[one_way]\nF1 = { from = "ground", to = "crank", capacity_Nm = 400 }\n')
    derivation = derive(layout)
    assert ids(derivation) == {"off:open", "on:open", "off:F1"}
    locked = derivation.find("off:F1")
    assert (locked.active, locked.speed_map[1]) == (("mg1", "mg2"), (F(-39, 5), 0))
    (limit,) = [m for m in locked.load_limits if m.joint == "F1"]
    assert (limit.low_Nm, limit.high_Nm) == (0.0, 400.0)
    driving = (F(0), F(-1), F(0), F(-39, 5))
    assert sum(t * s for t, s in zip(driving, (*(w for w, _ in locked.speed_map), 1), strict=True)) == 0
    assert limit.factor * load_of(layout, locked, "F1", driving) == F(18, 5)


# ------------------------------------------------------------------------------------------------------------ fuel cut


def test_fuel_cut_where_something_turns_the_engine(shipped, layout_of):
    """In every configuration in which the running engine is linked to wheels or a machine; nowhere else."""
    data = shipped("three-clutch")
    data["engine"]["fuel_cut"] = True
    derivation = derive(layout_of(data))
    running = {c.id[3:] for c in derivation.configurations if c.engine == "running" and not c.idling}
    cut = [c for c in derivation.configurations if c.engine == "fuel cut"]
    assert {c.id[4:] for c in cut} == running and len(cut) == 10
    for c in cut:
        twin = derivation.find(f"on:{c.state.words}")
        assert (c.kind, c.speed_map, c.balances) == ("overrun", twin.speed_map, twin.balances)
        assert c.degrees_of_freedom == twin.degrees_of_freedom - 1     # its torque is its drag
        assert c.speed_range_kmh[0] == 0.0
    data["forbid"] = [*data["forbid"], "cut:*"]
    assert ids(derive(layout_of(data))) == ids(derive(layout_of(shipped("three-clutch"))))


def test_an_alternator_cannot_turn_the_engine(layout_of):
    text = """
        machines.mg1 = { shaft = "belt", map = "alternator-3", drives = false }
        gears.belt = { from = "belt", to = "crank", ratio = 2 }
        clutches.K1 = { joins = ["crank", "diff"] }
    """
    derivation = derive(layout_of(text, engine="fuel_cut = true"))
    assert {c.id: c.kind.value for c in derivation.configurations} == {
        "off:open": "neutral", "on:open": "charging", "on:K1": "engine", "cut:K1": "overrun"}
    machine = derive(layout_of(text.replace(", drives = false", ""), engine="fuel_cut = true"))
    assert {c.id: c.kind.value for c in machine.configurations} == {
        "off:open": "neutral", "on:open": "charging", "on:K1": "parallel", "cut:open": "overrun", "cut:K1": "overrun"}


# ------------------------------------------------------------------------------------------------- limits and drags


def test_pinions_and_members_of_a_set(layout_of):
    """30 / 78 teeth leave pinions of 24: they turn 30 / 24 of what the sun does beside the carrier."""
    c = derive(layout_of(SPLIT)).find("on:open")
    (pinions,) = [s for s in c.speed_limits if s.what.startswith("pinions")]
    # sun - carrier = 2.6 (carrier - ring), ring three times the wheels
    assert (pinions.wheel, pinions.free) == (F(-26, 10) * 3 * F(5, 4), F(26, 10) * F(5, 4))
    assert pinions.high_rad_s == pytest.approx(9000 * math.pi / 30)
    (member,) = c.load_limits
    assert (member.joint, member.factor, member.high_Nm) == ("split", 1, 120.0)
    at_carrier = derive(layout_of(SPLIT.replace("capacity_Nm = 120", 'capacity_Nm = 120\ncapacity_at = "carrier"')))
    assert at_carrier.find("on:open").load_limits[0].factor == F(-36, 10)


def test_pinion_limit_bounds_the_car(layout_of):
    """Engine stopped, so 9000 rpm of the pinions are 9000 / 9.75 of the wheels."""
    layout = layout_of(SPLIT)
    high = derive(layout).find("off:open").speed_range_kmh[1]
    assert high == pytest.approx(9000 / 9.75 * math.pi / 30 * layout.vehicle.wheel_radius_m * 3.6, rel=1e-9)


def test_drags_of_what_turns(layout_of):
    layout = layout_of("""
        machines.mg1 = { shaft = "rotor", map = "machine-120" }
        gears.final = { from = "rotor", to = "diff", ratio = 9 }
        clutches.K1 = { joins = ["crank", "rotor"], drag_Nm = 1.5 }
        clutches.K2 = { joins = ["rotor", "loose"], drag_Nm = 3 }
        brakes.B1 = { holds = "rotor", drag_Nm = 0.5 }
        shafts.diff = { drag_Nm = 4, drag_Nms_rad = 0.1 }
        clutches.K3 = { joins = ["loose", "end"] }
        clutches.K4 = { joins = ["end", "rotor"] }
    """)
    found = {d.what: (d.wheel, d.free, d.constant_Nm, d.viscous_Nms_rad) for d in derive(layout).find("on:open").drags}
    assert found == {
        "K1": (-9, 1, 1.5, 0.0), "B1": (9, 0, 0.5, 0.0), "shaft diff": (1, 0, 4.0, 0.1)}   # nothing holds 'loose'
    stopped = {d.what: (d.wheel, d.free) for d in derive(layout).find("off:open").drags}
    assert stopped["K1"] == (-9, 0)
    assert "K1" not in {d.what for d in derive(layout).find("on:K1").drags}


def test_slip_limit_of_an_open_clutch(layout_of):
    """Engine stopped, rotor nine times the wheels: 4500 rpm between the sides are 500 rpm of the wheels."""
    layout = layout_of("""
        machines.mg1 = { shaft = "rotor", map = "machine-120" }
        gears.final = { from = "rotor", to = "diff", ratio = 9 }
        clutches.K1 = { joins = ["crank", "rotor"], max_slip_rpm = 4500 }
    """)
    high = derive(layout).find("off:open").speed_range_kmh[1]
    assert high == pytest.approx(500 * math.pi / 30 * layout.vehicle.wheel_radius_m * 3.6, rel=1e-9)


def test_pump_and_hold_power(shipped, layout_of):
    data = shipped("three-clutch")
    data["pump"] = {"engine_stopped_W": 80, "engine_running_W": 30}
    del data["forbid"], data["shifters"]["S1"]["hold_W"]
    for name, clutch in data["clutches"].items():
        clutch["hold_W"] = 25 if name == "K3" else 0
    derivation = derive(layout_of(data))
    assert {(c.engine.value, "K3" in c.state.closed, c.electric_W) for c in derivation.configurations} == {
        ("stopped", False, 80.0), ("stopped", True, 105.0), ("running", False, 30.0), ("running", True, 55.0)}


# ------------------------------------------------------------------------------------------------ nodes of their own


BESIDE = """
machines.mg1 = { shaft = "rotor", map = "machine-120" }
gears.final = { from = "rotor", to = "diff", ratio = 9 }
gears.up = { from = "in", to = "wheel", ratio = 2 }
clutches.K1 = { joins = ["crank", "in"]CLUTCH }
clutches.K2 = { joins = ["out", "diff"] }
shifters.S1 = { hub = "out", positions = { up = "wheel" }SHIFTER }
"""
"""The machine drives in every state; the engine's clutch and its shifter are beside the way of the power."""


def beside(layout_of, clutch="", shifter=""):
    return derive(layout_of(BESIDE.replace("CLUTCH", clutch).replace("SHIFTER", shifter)))


def test_states_that_differ_in_nothing_are_one(layout_of):
    assert {beside(layout_of).find(f"off:{word}").id for word in ("open", "K1", "S1=up", "K2+S1=up")} == {"off:open"}


@pytest.mark.parametrize("change", [
    {"clutch": ", hold_W = 30"}, {"clutch": ", engagement_s = 0.3"}, {"shifter": ", engagement_s = 0.2"},
    {"shifter": ", hold_W = 5"}])
def test_hold_power_and_time_make_nodes_of_their_own(layout_of, change):
    """A clutch held, a shifter preselected: another power, or another cost of the next change."""
    word = "off:K1" if "clutch" in change else "off:S1=up"
    assert beside(layout_of, **change).find(word).id == word


@pytest.mark.parametrize("clutch", [", drag_Nm = 1", ", max_slip_rpm = 9000"])
def test_drag_and_slip_count_where_the_sides_differ(layout_of, clutch):
    derivation = beside(layout_of, clutch)
    assert derivation.find("off:K1").id == "off:open"           # nothing turns on either side
    assert derivation.find("off:K2+S1=up").id == "off:K2+S1=up"  # one side turns with the wheels


def test_limits_that_no_speed_keeps_leave_nothing(layout_of):
    with pytest.raises(InputError, match="no other can be used"):
        derive(layout_of("""
            machines.mg1 = { shaft = "crank", map = "machine-75" }
            gears.final = { from = "crank", to = "diff", ratio = 4 }
            shafts.crank.max_rpm = 900
        """))
