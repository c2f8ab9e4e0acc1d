"""Ratios exactly as written; teeth and quotients; double-pinion sets."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from ems.layout.schema import GearTable, PlanetarySetTable
from ems.layout.values import exact


@given(st.decimals(min_value="0.005", max_value="200", places=6), st.booleans())
def test_a_decimal_is_read_exactly(value, negative):
    value = -value if negative else value
    assert exact(value) == Fraction(value) == exact(str(value))


@pytest.mark.parametrize(("written", "meant"), [
    (Decimal("0.45"), Fraction(9, 20)), ("78/30", Fraction(13, 5)), (3, Fraction(3)), ("-78/30", Fraction(-13, 5)),
    (0.1, Fraction(1, 10)), (" 2.5 ", Fraction(5, 2))])
def test_ratio_forms(written, meant):
    assert exact(written) == meant


def test_teeth_give_the_ratio_of_the_driven_to_the_driving_wheel():
    gear = GearTable.model_validate({"from": "a", "to": "b", "teeth": [33, 94]})
    assert gear.exact_ratio() == Fraction(94, 33)


def test_negative_ratio_of_a_gear_is_allowed():
    assert GearTable.model_validate({"from": "a", "to": "b", "ratio": Decimal("-1.5")}).exact_ratio() == Fraction(-3, 2)


def planetary(**rest):
    return PlanetarySetTable.model_validate({"sun": "a", "ring": "b", "carrier": "c", **rest})


def test_planetary_teeth_and_double_pinion():
    assert planetary(teeth={"sun": 30, "ring": 78}).exact_ratio() == Fraction(13, 5)
    assert planetary(ratio=Decimal("-2.2")).exact_ratio() == Fraction(-11, 5)


@pytest.mark.parametrize(("rest", "text"), [
    ({"ratio": -1}, "a ratio other than -1"), ({"ratio": 0}, "in size"),
    ({"teeth": {"sun": 30, "ring": 30}}, "more teeth than the sun, not 30 around 30")])
def test_planetary_ratios_that_make_no_set(rest, text):
    with pytest.raises(ValidationError, match=text):
        planetary(**rest)
