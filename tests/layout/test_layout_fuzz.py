"""Whatever stands anywhere in a layout file, the answer is a layout or a list of mistakes, never a traceback."""

from __future__ import annotations

import copy
import tomllib
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ems import library
from ems.errors import InputError
from ems.layout.load import layout_from

FILES = {
    name: tomllib.loads(library.find("layout", name, where="").read_text(encoding="utf-8"), parse_float=Decimal)
    for name in ("three-clutch", "input-split", "two-mode", "plain-car")
}

JUNK = st.one_of(
    st.none().map(lambda _: {}), st.booleans(), st.integers(-3, 10**12), st.just([]), st.text(max_size=6),
    st.sampled_from([Decimal("nan"), Decimal("-inf"), Decimal("1e999"), Decimal("-0.0"), "crank", "wheels", "out", "K1",
                     "S1=first", ["crank", "out"], [["K1", "S1"]], {"based_on": 3}, {"based_on": "series-90"},
                     {"based_on": "hill-taxi", "mass_kg": "x"}, {"ratio": 1}, {"": {}}, {"shaft": "out"}]),
)


def places(value: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths of every value inside tables and lists."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [found for key, child in inner for found in ((*path, key), *places(child, (*path, key)))]


def changed(data: dict[str, Any], path: tuple[Any, ...], junk: Any, how: str) -> dict[str, Any]:
    data = copy.deepcopy(data)
    level: Any = data
    for key in path[:-1]:
        level = level[key]
    if how == "replace":
        level[path[-1]] = junk
    elif how == "remove":
        del level[path[-1]]
    elif isinstance(level, dict):
        level["extra"] = junk
    return data


@pytest.mark.parametrize("name", FILES)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_a_layout_or_mistakes(name, data):
    file = FILES[name]
    for _ in range(data.draw(st.integers(1, 3))):
        path = data.draw(st.sampled_from(places(file)))
        file = changed(file, path, data.draw(JUNK), data.draw(st.sampled_from(["replace", "remove", "add"])))
        if not file:
            break
    try:
        layout = layout_from(file, name="x", where="x.toml")
    except InputError as error:
        assert error.mistakes
        assert all(m.where and m.found and m.expected for m in error.mistakes)
    else:
        assert len(layout.digest) == 64
