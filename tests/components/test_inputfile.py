"""TOML files and models: exact decimals, and every mistake with its key, value, expectation and nearest name."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Literal

import pytest
from pydantic import BaseModel, ConfigDict

from ems.errors import InputError
from ems.inputfile import Number, quantity, read_toml, validate


class Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)


class Pair(Strict):
    first: str = quantity("driving shaft", "-", alias="from")
    ratio: Number | list[int] = quantity("speed over speed", "-")
    loss_W: Number = quantity("loss", "W", default=0.0, ge=0, lt=1e4)


class Whole(Strict):
    mass_kg: Number = quantity("mass", "kg", gt=0)
    kind: Literal["open", "closed"] = quantity("state", "-", default="open")
    pairs: dict[str, Pair] = quantity("pairs by name", "-", default={})
    more: list[Pair] = quantity("more pairs", "-", default=[])


def mistakes(data: dict[str, object], prefix: str = "") -> dict[str, str]:
    with pytest.raises(InputError) as caught:
        validate(Whole, data, "f.toml", prefix)
    assert all(m.where == "f.toml" for m in caught.value.mistakes)
    return {m.key: str(m).partition(": found ")[2] for m in caught.value.mistakes}


def test_decimals_stay_exact_and_numbers_become_floats(tmp_path: Path) -> None:
    path = tmp_path / "f.toml"
    path.write_text("mass_kg = 0.1\n[pairs.a]\nfrom = 's'\nratio = [3, 4]\n", encoding="utf-8")
    data = read_toml(path, "f.toml")
    assert data["mass_kg"] == Decimal("0.1") and Fraction(data["mass_kg"]) == Fraction(1, 10)
    whole = validate(Whole, data, "f.toml")
    assert whole.mass_kg == 0.1 and isinstance(whole.mass_kg, float)
    assert whole.pairs["a"].ratio == [3, 4]


def test_every_mistake_with_key_value_expectation_and_nearest() -> None:
    found = mistakes({
        "mass_kg": Decimal("-1.50"), "masskg": 2, "kind": "opened",
        "pairs": {"a": {"from": 3, "ratio": "x", "loss": 1, "loss_W": Decimal("nan")}, "b": 7},
        "more": [{"from": "s"}, {"from": "s", "ratio": True}],
    })
    assert found == {
        "mass_kg": "-1.5; expected a number greater than 0 (mass [kg])",
        "masskg": "a key that is not known; expected one of mass_kg, kind, pairs, more (nearest: mass_kg)",
        "kind": "'opened'; expected one of open, closed (state) (nearest: open)",
        "pairs.a.from": "3; expected text (driving shaft)",
        "pairs.a.ratio": "'x'; expected a number or a list (speed over speed)",
        "pairs.a.loss": "a key that is not known; expected one of from, ratio, loss_W (nearest: loss_W)",
        "pairs.a.loss_W": "nan; expected a finite number (loss [W])",
        "pairs.b": "7; expected a table (pairs by name)",
        "more.1.ratio": "nothing; expected speed over speed",
        "more.2.ratio": "true; expected a number or a list (speed over speed)",
    }


def test_keys_inside_a_larger_file_carry_their_prefix() -> None:
    assert list(mistakes({"mass_kg": 0}, prefix="vehicle")) == ["vehicle.mass_kg"]


@pytest.mark.parametrize("text, message", [
    ("a = 1\nb = \n", r"f\.toml: line 2: found 'b ='; expected TOML syntax \(invalid value"),
    ("a = 1\na = 2\n", r"f\.toml: line 2: found 'a = 2'; expected TOML syntax \(cannot overwrite a value"),
    ("a = [1,\n2", r"f\.toml: line 2: found '2'; expected TOML syntax"),
    ("a = 1,5\n", r"line 1: found 'a = 1,5'; expected TOML syntax"),
    ("", r"f\.toml: found an empty file"),
])
def test_syntax_errors_name_the_line(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "f.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message):
        read_toml(path, "f.toml")
