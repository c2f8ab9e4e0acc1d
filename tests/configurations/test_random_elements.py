"""Layouts of every element drawn at random: configurations or mistakes, and power that goes in comes out or is heat."""

from __future__ import annotations

from collections import Counter
from decimal import Decimal
from fractions import Fraction

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ems.configurations import derive
from ems.errors import InputError
from ems.layout.load import layout_from
from ems.layout.sketch import sketch

RATIOS = st.sampled_from([Decimal(text) for text in ("0.5", "2", "3.5", "-1.5", "8")])
SHAFTS = ("crank", "r1", "r2", "diff", "a", "b", "c")
POSSIBLY = st.booleans()


@st.composite
def layouts(draw):
    """Raw content: up to two machines, gears, sets, clutches, a brake, one-way clutches, a shifter."""
    shafts = SHAFTS[: draw(st.integers(4, 7))]

    def some(count):
        return draw(st.permutations(shafts))[:count]

    def dragging(**table):
        return table | ({"drag_Nm": 1} if draw(POSSIBLY) else {}) | ({"capacity_Nm": 300} if draw(POSSIBLY) else {})

    def numbered(letter, least, most, make):
        return {f"{letter}{i}": make() for i in range(draw(st.integers(least, most)))}

    def clutch():
        return dragging(joins=some(2), slips=draw(POSSIBLY), hold_W=draw(st.sampled_from([0, 20])),
                        engagement_s=draw(st.sampled_from([0, Decimal("0.2")])))

    def one_way():
        first, second = draw(st.permutations((*shafts, "ground")))[:2]
        return dragging(**{"from": first, "to": second})

    def planetary():
        sun, ring, carrier = some(3)
        return {"sun": sun, "ring": ring, "carrier": carrier, "ratio": draw(st.sampled_from(["13/5", "-11/5"])),
                **({"max_pinion_rpm": 15000, "pinion_ratio": 2} if draw(POSSIBLY) else {})}

    hub, *others = some(3)
    data = {
        "name": "drawn", "vehicle": "hill-taxi", "battery": "hybrid-1k5", "axles": {"front": {"shaft": "diff"}},
        "engine": {"shaft": "crank", "map": "dedicated-1500", "fuel_cut": draw(POSSIBLY)},
        "machines": {"mg1": {"shaft": "r1", "map": "machine-75", "drives": draw(POSSIBLY)},
                     **({"mg2": {"shaft": "r2", "map": "machine-120"}} if draw(POSSIBLY) else {})},
        "gears": numbered("g", 1, 2, lambda: dict(zip(("from", "to"), some(2), strict=True)) | {"ratio": draw(RATIOS)}),
        "planetary_sets": numbered("p", 0, 2, planetary), "clutches": numbered("K", 0, 2, clutch),
        "brakes": numbered("B", 0, 1, lambda: dragging(holds=some(1)[0])), "one_way": numbered("F", 0, 1, one_way),
        "shifters": {"S": {"hub": hub, "positions": dict(zip(("x", "y"), others, strict=True))}} if draw(POSSIBLY) else {},
        "shafts": {"diff": {"drag_Nms_rad": Decimal("0.01"), "inertia_kgm2": Decimal("0.1")}},
    }
    for i, shaft in enumerate(loose(data)):
        to = draw(st.sampled_from([s for s in ("diff", "crank", "r1") if s != shaft]))
        data["clutches"][f"L{i}"] = dragging(joins=[shaft, to], slips=draw(POSSIBLY))
    return data


def loose(data):
    """Shafts that a single element names: most often nothing could be made of them."""
    names = Counter(naming.shaft for element in sketch(data).elements for naming in element.shafts)
    return [shaft for shaft, count in names.items() if count == 1]


@settings(max_examples=120, deadline=None, derandomize=True,
          suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much])
@given(data=layouts())
def test_every_layout(load_of, data):
    try:
        layout = layout_from(data, name="drawn", where="drawn.toml")
        derivation = derive(layout)
    except InputError as error:
        assert error.mistakes
        return
    ids = [c.id for c in derivation.configurations]
    assert len(set(ids)) == len(ids)
    for c in derivation.configurations:
        assert derivation.find(c.id) is c and c.degrees_of_freedom >= 0
        check_power(layout, c, load_of)
        check_speeds(layout, c)


def check_power(layout, c, load_of):
    """Exactly, for every balance in every motion: what sources and wheels put in is the heat of slipping clutches."""
    for balance in c.balances:
        for part, wheel in ((0, Fraction(1)), (1, Fraction(0))):
            put_in = sum((t * speed[part] for t, speed in zip(balance, c.speed_map, strict=False)), Fraction(0))
            heat = sum((slip.factor * load_of(layout, c, slip.clutch, balance) * (slip.wheel, slip.free)[part]
                        for slip in c.slips), Fraction(0))
            assert put_in + balance[-1] * wheel == heat
        assert balance[0] == 0 or c.engine != "stopped"


def check_speeds(layout, c):
    """At either end of the range some engine speed keeps every limit; drags are of what turns."""
    assert all(d.wheel or d.free for d in c.drags)
    for speed_kmh in c.speed_range_kmh:
        wheel = speed_kmh / 3.6 / layout.vehicle.wheel_radius_m
        lows, highs = [-1e9], [1e9]
        for limit in c.speed_limits:
            if limit.free:
                ends = [(end - float(limit.wheel) * wheel) / float(limit.free) for end in (limit.low_rad_s, limit.high_rad_s)]
                lows.append(min(ends))
                highs.append(max(ends))
            else:
                assert limit.low_rad_s - 1e-6 <= float(limit.wheel) * wheel <= limit.high_rad_s + 1e-6
        assert max(lows) <= min(highs) + 1e-6
