"""The other shipped layouts against lists written by hand from their drawings, extras and torque ratios among them."""

from __future__ import annotations

from fractions import Fraction

import pytest

from ems.configurations import Configuration, Derivation, derive
from ems.layout.load import load_layout

F = Fraction
SIX = {"first": "14.04", "second": "8.58", "third": "5.85", "fourth": "4.29", "fifth": "3.237", "sixth": "2.535"}
"""Totals to the wheels of the six-speed gearbox: 3.6, 2.2, 1.5, 1.1, 0.83, 0.65 times 3.9."""


def derived(name: str) -> Derivation:
    return derive(load_layout(name))


def kinds(derivation: Derivation) -> dict[str, str]:
    return {c.id: c.kind.value for c in derivation.configurations}


def at(derivation: Derivation, word: str) -> Configuration:
    found = derivation.find(word)
    assert found is not None and found.id == word
    return found


# ------------------------------------------------------------------------------------------------------------ two-mode


def test_two_mode_is_exactly_the_list():
    """Extra beside the four modes by name: both machines electric with the clutch closed, the engine's torque nothing."""
    derivation = derived("two-mode")
    assert kinds(derivation) == {
        "off:B1": "electric", "off:C1": "electric", "on:B1": "power split", "on:C1": "power split",
        "on:C1+B1": "parallel", "on:open": "power split", "off:open": "neutral"}
    assert (derivation.actuator_states, derivation.tie_ups) == (4, ())
    assert {(n.state.words, n.reason[:16]) for n in derivation.notes} == {
        ("C1+B1", "mg1 cannot turn"), ("C1+B1", "a stopped engine")}


def test_two_mode_speeds():
    """First set: mg1 = 3.6 engine - 2.6 output. Second: mg2 = 2.85 output - 1.85 reaction. Output 3.3 turns a wheel turn."""
    derivation = derived("two-mode")
    out, mg1, mg2 = F(33, 10), F(-26, 10) * F(33, 10), F(285, 100) * F(33, 10)
    assert at(derivation, "on:B1").speed_map == ((0, 1), (mg1, F(18, 5)), (mg2, 0))
    compound = (F(285, 100) + F(185, 100) * F(26, 10)) * out       # mg1 stands in for the reaction
    assert at(derivation, "on:C1").speed_map == ((0, 1), (mg1, F(18, 5)), (compound, F(-666, 100)))
    fixed = at(derivation, "on:C1+B1")
    assert fixed.ratio == F(26, 36) * out == F(143, 60)              # mg1 held: the engine turns 2.6 / 3.6 of the output
    assert fixed.speed_map == ((fixed.ratio, 0), (0, 0), (mg2, 0)) and fixed.degrees_of_freedom == 1
    free = at(derivation, "on:open")
    assert (free.active, free.degrees_of_freedom, free.speed_map[2]) == (("engine", "mg1"), 1, (0, 0))


def test_two_mode_torques():
    """Input split as in input-split; compound by two sums: on the crank e + 3.6 a - 6.66 b, nothing left over."""
    derivation = derived("two-mode")
    assert at(derivation, "on:B1").balances == ((1, F(-5, 18), 0, F(-143, 60)), (0, 0, 1, F(-1881, 200)))
    for e, a, b, wheels in at(derivation, "on:C1").balances:
        assert e + F(18, 5) * a - F(333, 50) * b == 0
        assert wheels == F(858, 100) * a - F(25278, 1000) * b
    ((e, a, b, wheels),) = at(derivation, "off:C1").balances
    assert (e, a / b, wheels / b) == (0, F(37, 20), F(-9405, 1000))    # 1.85 on the first; 25.278 - 1.85 * 8.58


# --------------------------------------------------------------------------------------------------- series-parallel


def test_series_parallel():
    derivation = derived("series-parallel")
    assert kinds(derivation) == {"off:open": "electric", "on:open": "series", "on:K1": "parallel"}
    engaged = at(derivation, "on:K1")
    assert engaged.speed_map == ((F(29, 10), 0), (F(58, 9), 0), (F(91, 10), 0))      # mg1 1 / 0.45 of the engine
    assert engaged.balances == ((1, 0, 0, F(-29, 10)), (0, 1, 0, F(-58, 9)), (0, 0, 1, F(-91, 10)))
    assert [n.reason[:30] for n in derivation.notes] == ["a stopped engine holds the whe"]


# ------------------------------------------------------------------------------------------------------ parallel-six


def test_parallel_six():
    derivation = derived("parallel-six")
    by_hand = {f"off:S1={g}": "electric" for g in SIX} | {f"on:S1={g}": "electric, engine idling" for g in SIX}
    by_hand |= {f"on:K1+S1={g}": "parallel" for g in SIX}
    by_hand |= {f"on:K1~+S1={g}": "launch" for g in ("first", "second")}
    by_hand |= {"on:K1": "charging", "off:open": "neutral", "on:open": "neutral, engine idling"}
    assert kinds(derivation) == by_hand and derivation.tie_ups == ()
    for gear, total in SIX.items():
        assert at(derivation, f"on:K1+S1={gear}").speed_map == ((F(total), 0), (F(total), 0))
        assert at(derivation, f"off:S1={gear}").balances == ((0, 1, -F(total)),)


# -------------------------------------------------------------------------------------------------- three-clutch-rear


def test_three_clutch_rear():
    """Whatever the first layout can do with and without the rear machine, and three things more: the rear machine by
    itself, and series on it alone, with one machine or both at the engine."""
    front, derivation = derived("three-clutch"), derived("three-clutch-rear")
    by_hand: dict[str, str] = {}
    for c in front.configurations:
        by_hand[c.id] = c.kind.value
        if c.wheel_driven:
            *clutches, position = c.id.split("+") if "S1" in c.id else (*c.id.split("+"), "")
            alone = "S1" in c.id and not clutches          # "off:S1=first"
            head = f"{c.engine.prefix}:K4" if alone else "+".join([*clutches, "K4"])
            tail = position.removeprefix(f"{c.engine.prefix}:")
            by_hand["+".join(filter(None, [head, tail]))] = c.kind.value
    by_hand |= {"off:K4": "electric", "on:K4": "electric, engine idling", "on:K1+K4": "series", "on:K1+K2+K4": "series"}
    assert kinds(derivation) == by_hand and len(by_hand) == 56
    assert (derivation.actuator_states, len(derivation.tie_ups)) == (48, 8)
    rear = at(derivation, "off:K4")
    assert rear.active == ("mg3",) and rear.balances == ((0, 0, 0, 1, F(-49, 5)),)
    assert all(c.speed_map[3] == ((F(49, 5), 0) if "K4" in c.state.closed else (0, 0)) for c in derivation.configurations)


# --------------------------------------------------------------------------------------------------------- plain-car


def test_plain_car():
    derivation = derived("plain-car")
    by_hand = {f"on:K1+S1={g}": "engine" for g in SIX} | {f"cut:K1+S1={g}": "overrun" for g in SIX}
    by_hand |= {f"on:K1~+S1={g}": "launch" for g in ("first", "second")}        # the file forbids the others
    by_hand |= {"on:open": "charging", "off:open": "neutral"}
    assert kinds(derivation) == by_hand
    for gear, total in SIX.items():
        c = at(derivation, f"on:K1+S1={gear}")
        assert c.speed_map == ((F(total), 0), (F(total) * F(13, 5), 0)) and c.degrees_of_freedom == 1
        assert at(derivation, f"cut:K1+S1={gear}").degrees_of_freedom == 0
    launch = at(derivation, "on:K1~+S1=first")
    assert launch.speed_map == ((0, 1), (0, F(13, 5)))
    assert launch.balances == at(derivation, "on:K1+S1=first").balances     # statics of the closed clutch
    assert (launch.free_speed, launch.degrees_of_freedom, launch.speed_range_kmh[0]) == ("engine", 2, 0.0)


# ----------------------------------------------------------------------------------------------- chargeable variants


@pytest.mark.parametrize("name", ["three-clutch", "input-split", "series", "series-parallel"])
def test_chargeable_variants_are_the_same_transmission(name):
    plain, variant = load_layout(name), load_layout(f"{name}-chargeable")
    assert [(c.id, c.speed_map, c.balances) for c in derive(variant).configurations] == [
        (c.id, c.speed_map, c.balances) for c in derive(plain).configurations]
    battery = variant.battery
    energy_kWh = float(battery.energy_J(0.95) - battery.energy_J(0.05)) / 3.6e6 / 0.9
    assert energy_kWh == pytest.approx(18.0, rel=0.02)
    inside = (battery.soc >= battery.soc_low) & (battery.soc <= battery.soc_high)
    for resistance in (battery.resistance_discharge_ohm[inside], battery.resistance_charge_ohm[inside]):
        assert resistance.min() >= 0.078 and resistance.max() <= 0.10
    assert variant.vehicle.mass_kg - plain.vehicle.mass_kg == pytest.approx(145 - 35)
