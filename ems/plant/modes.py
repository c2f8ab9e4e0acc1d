"""Mode label of an interval, from which sources carry power and which way (a closed list; not the kind of a configuration); starts and
changes of a trip."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from ems.configurations import Configuration, Derivation, Kind
from ems.plant.plant import Plant
from ems.types import IntArray

TOLERANCE_W = 50.0

STANDSTILL, STANDSTILL_CHARGING = "standstill", "standstill charging"
ELECTRIC_ONE, ELECTRIC_MANY = "electric, one machine", "electric, several machines"
SERIES, POWER_SPLIT = "series", "power split"
REGENERATION_ONE, REGENERATION_MANY = "regeneration, one machine", "regeneration, several machines"
FRICTION, COASTING = "friction braking", "coasting"
ENGINE_ALONE, BOOST, CHARGING = "engine alone", "parallel boost", "parallel charging"   # with ", gear n"


def mode_label(derivation: Derivation, c: Configuration, wheel_speed: float, wheel_power_W: float, brake_power_W: float,
               engine_power_W: float, machine_power_W: Sequence[float], battery_power_W: float) -> str:
    """Label of one interval; powers are mechanical, positive where a source drives; the battery's positive where it gives.

    Charging is what charges the battery: where machines make no more than the consumers take, the engine drives alone.
    While braking, an engine that gives less than is recovered at the wheels makes no mode of its own, nor does the machine that it turns.
    """
    engine = engine_power_W > TOLERANCE_W
    if wheel_speed == 0.0:
        return STANDSTILL_CHARGING if engine and battery_power_W < -TOLERANCE_W else STANDSTILL
    if engine and engine_power_W > -wheel_power_W - brake_power_W:
        return _with_engine(derivation, c, sum(machine_power_W), battery_power_W)
    driving = sum(p > TOLERANCE_W for p in machine_power_W)
    braking = sum(p < -max(TOLERANCE_W, engine_power_W) for p in machine_power_W)
    if wheel_power_W > 0.0 and driving:
        return ELECTRIC_ONE if driving == 1 else ELECTRIC_MANY
    if braking:
        return REGENERATION_ONE if braking == 1 else REGENERATION_MANY
    return FRICTION if brake_power_W > TOLERANCE_W else COASTING


def _with_engine(derivation: Derivation, c: Configuration, electric_W: float, battery_power_W: float) -> str:
    if c.kind in (Kind.SERIES, Kind.CHARGING):
        return SERIES
    if c.kind is Kind.POWER_SPLIT:
        return POWER_SPLIT
    word = BOOST if electric_W > TOLERANCE_W else CHARGING if battery_power_W < -TOLERANCE_W else ENGINE_ALONE
    return f"{word}, gear {gear(derivation, c)}"


def gear(derivation: Derivation, c: Configuration) -> int:
    """Number of the engine's gear: its fixed ratios to the wheels counted from the shortest.

    With a slipping clutch it is the gear in which the clutch will close.
    """
    ratios = sorted({abs(ratio) for o in derivation.configurations if (ratio := _ratio(o))}, reverse=True)
    own = _ratio(c)
    return ratios.index(abs(own)) + 1 if own else 0


def _ratio(c: Configuration) -> Fraction | None:
    """Engine speed per wheel speed where it is fixed, or where a slipping clutch would come to rest."""
    [slip] = c.slips if len(c.slips) == 1 else [None]
    return -slip.wheel / slip.free if slip is not None else c.ratio


def engine_starts(plant: Plant, node: IntArray) -> int:
    """How often the engine begins to turn on a trip through these nodes, (K,); from rest it stands."""
    turning = np.append(False, plant.transitions.engine_mode[node] != 0)
    return int(np.sum(turning[1:] & ~turning[:-1]))


def configuration_changes(plant: Plant, node: IntArray) -> int:
    """How often the configuration changes on a trip through these nodes, (K,)."""
    return int(np.count_nonzero(np.diff([plant.nodes[n].configuration for n in node])))
