"""Layouts drawn at random, most of them absurd: no power is made or lost, and a stopped engine pushes nothing."""

from __future__ import annotations

import random
from decimal import Decimal
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from ems.configurations import EngineState
from ems.errors import InputError
from ems.kernels.plant import make_bench, make_cut, set_torques
from ems.layout.load import layout_from
from ems.plant.plant import build_plant

RATIOS = [Decimal(text) for text in ("0.5", "2", "3.5", "-1.5", "8")]


def drawn(draw: random.Random) -> dict[str, Any]:
    """A raw layout of two machines, some gears, planetary sets, clutches, perhaps a brake."""
    shafts = ["crank", "r1", "r2", "diff", *(f"s{i}" for i in range(draw.randint(0, 3)))]
    gears, sets = {}, {}
    for i in range(draw.randint(1, 3)):
        first, second = draw.sample(shafts, 2)
        gears[f"g{i}"] = {"from": first, "to": second, "ratio": draw.choice(RATIOS), "efficiency": Decimal("0.98")}
    for i in range(draw.randint(0, 2)):
        sun, ring, carrier = draw.sample(shafts, 3)
        sets[f"p{i}"] = {"sun": sun, "ring": ring, "carrier": carrier, "ratio": Decimal("2.5"),
                         "efficiency": Decimal("0.97")}
    return {
        "name": "drawn", "vehicle": "hill-taxi", "battery": "hybrid-1k5", "axles": {"front": {"shaft": "diff"}},
        "engine": {"shaft": "crank", "map": "dedicated-1500"},
        "machines": {"mg1": {"shaft": "r1", "map": "machine-75"}, "mg2": {"shaft": "r2", "map": "machine-120"}},
        "gears": gears, "planetary_sets": sets,
        "clutches": {f"K{i}": {"joins": draw.sample(shafts, 2)} for i in range(draw.randint(0, 3))},
        "brakes": {"B": {"holds": draw.choice(shafts)}} if draw.random() < 0.4 else {},
        "shafts": {shaft: {"inertia_kgm2": Decimal("0.01")} for shaft in shafts},
    }


def plants(seed: int, count: int):
    """That many plants; layouts that are refused are left out."""
    draw = random.Random(seed)
    while count:
        try:
            yield build_plant(layout_from(drawn(draw), name="drawn", where="drawn"), lanes=1)
        except InputError:
            continue
        count -= 1


@pytest.mark.parametrize("seed", range(3))
def test_balances_do_no_work_in_any_motion(seed):
    """Virtual power, exactly: every balance with every motion of wheels and free engine gives nothing."""
    for plant in plants(seed, 15):
        for c in plant.derivation.configurations:
            motions = (*c.speed_map, (Fraction(1), Fraction(0)))
            for balance in c.balances:
                assert sum(t * wheel for t, (wheel, _) in zip(balance, motions, strict=True)) == 0
                assert sum(t * free for t, (_, free) in zip(balance, motions, strict=True)) == 0
                assert balance[0] == 0 or c.engine is EngineState.RUNNING


@pytest.mark.parametrize("seed", range(3))
def test_no_power_is_made_or_lost(seed):
    """Sources = wheels + meshes + rotors wherever the directions of flow settle (a self-locking train has none)."""
    random_inputs, settled, tried = np.random.default_rng(seed), 0, 0
    for plant in plants(seed, 15):
        a, bench = plant.arrays, make_bench(plant.arrays)
        for t in range(len(plant.nodes)):
            wheel, acceleration = random_inputs.uniform(0, 100), random_inputs.uniform(-8, 8)
            free = random_inputs.uniform(80, 500) if plant.configuration(t).free_speed else 0.0
            cut = make_cut(a, bench, t, wheel, free, acceleration, 0.0, np.zeros(0))
            cut.x[:cut.fixed] = random_inputs.uniform(-200, 200, cut.fixed)
            tried += 1
            if not set_torques(cut):
                continue
            settled += 1
            sources = len(cut.speed)
            powers = cut.out[:sources] * cut.speed
            lost = np.abs(cut.out[sources + 1:] * cut.mesh_speed) @ a.mesh_loss
            rotors = acceleration * (a.kinetic_wheel[t] * wheel + a.kinetic_free[t] * free)
            unbalanced = powers.sum() - cut.out[sources] * wheel - lost - rotors
            assert abs(unbalanced) <= 1e-9 * (1.0 + np.abs(powers).sum() + lost), plant.configuration(t).id
    assert settled >= 0.9 * tried > 0
