"""What ``ems modes`` shows: every configuration as plain values, and what a person calls its parts."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Any

from ems.configurations.exact import connected, reduced_rows
from ems.configurations.kinematics import ActuatorState
from ems.configurations.mechanism import ENGINE
from ems.configurations.model import Configuration, Derivation, EngineState
from ems.layout.model import Layout
from ems.quantities import RPM_PER_RAD_S

NEUTRAL = "neutral"


def modes_dict(layout: Layout, derivation: Derivation) -> dict[str, Any]:
    """The contract of ``ems modes --json`` without schema and status.

    Rows of ``speed_map`` give each source's speed from wheel speed and from the free speed; ``speed_map_exact`` says
    the same in fractions.
    """
    return {
        "layout": layout.name,
        "title": layout.title,
        "digest": layout.digest,
        "sources": [ENGINE, *(m.name for m in layout.machines)],
        "actuator_states": derivation.actuator_states,
        "configurations": [configuration_dict(c) for c in derivation.configurations],
        "tie_ups": [{**state_dict(t.state), "reason": t.reason} for t in derivation.tie_ups],
        "neutral": list(derivation.neutral),
        "notes": [{**state_dict(n.state), "reason": n.reason} for n in derivation.notes],
    }


def configuration_dict(c: Configuration) -> dict[str, Any]:
    """One configuration; speeds in km/h, power in W, ratios as floats and as exact words."""
    return {
        "id": c.id,
        **state_dict(c.state),
        "engine": c.engine.value,
        "kind": c.kind.value,
        "degrees_of_freedom": c.degrees_of_freedom,
        "free_choices": list(free_choices(c)),
        "active": list(c.active),
        "driving": list(driving(c)),
        "free_speed": c.free_speed,
        "speed_map": [[float(wheel), float(free)] for wheel, free in c.speed_map],
        "speed_map_exact": [[str(wheel), str(free)] for wheel, free in c.speed_map],
        "speed_range_kmh": list(c.speed_range_kmh),
        "equivalents": list(c.equivalents),
        "hold_W": c.hold_W,
        "pump_W": c.pump_W,
        "slipping": list(c.slipping),
        "drags": [{"what": d.what, "speed": [float(d.wheel), float(d.free)], "constant_Nm": d.constant_Nm,
                   "viscous_Nms_rad": d.viscous_Nms_rad} for d in c.drags],
        "speed_limits": [{"what": s.what, "speed": [float(s.wheel), float(s.free)], "low_rpm": _rpm(s.low_rad_s),
                          "high_rpm": _rpm(s.high_rad_s)} for s in c.speed_limits],
        "load_limits": [{"what": m.what, "joint": m.joint, "factor": float(m.factor), "low_Nm": _finite(m.low_Nm),
                         "high_Nm": _finite(m.high_Nm)} for m in c.load_limits],
    }


def _finite(value: float) -> float | None:
    """The number, None where there is no limit."""
    return value if math.isfinite(value) else None


def _rpm(speed_rad_s: float) -> float | None:
    return _finite(round(speed_rad_s * RPM_PER_RAD_S, 6))


def drag_W(layout: Layout, c: Configuration, speed_kmh: float) -> float:
    """Power that drags take at a car speed, a free engine at idle [W]."""
    wheel = speed_kmh / 3.6 / layout.vehicle.wheel_radius_m
    free = layout.engine.engine.idle_rad_s if c.free_speed and c.engine is EngineState.RUNNING else 0.0
    speeds = [abs(float(d.wheel) * wheel + float(d.free) * free) for d in c.drags]
    return math.fsum((d.constant_Nm + d.viscous_Nms_rad * w) * w for d, w in zip(c.drags, speeds, strict=True))


def state_dict(state: ActuatorState) -> dict[str, Any]:
    """Closed clutches, brakes and locked one-way clutches, without those that slip; where every shifter stands."""
    return {
        "engaged": state.words,
        "closed": [name for name in state.closed if name not in state.slipping],
        "shifters": {name: position or NEUTRAL for name, position in state.shifters},
    }


def driving(c: Configuration) -> tuple[str, ...]:
    """Sources that some balance of torques links to the wheels."""
    wheel = len(c.sources)
    group: set[int] = next((g for g in connected([list(b) for b in c.balances], wheel + 1) if wheel in g), set())
    return tuple(c.sources[j] for j in sorted(group) if j != wheel)


def free_choices(c: Configuration) -> tuple[str, ...]:
    """What is left to choose once wheel speed and torque are given, as many as there are degrees of freedom.

    The engine's torque is named before any machine's; the machine left over makes up the rest. Without fuel the
    engine's torque is its drag.
    """
    wheel = len(c.sources)
    _, pivots = reduced_rows(c.balances, [wheel, *range(wheel)])
    given = {wheel, 0} if c.engine is EngineState.FUEL_CUT else {wheel}
    torques = [c.sources[j] for j in sorted(pivots) if j not in given]
    words = ["engine speed"] if c.free_speed and not c.idling else []
    return (*words, *(f"{name} torque" for name in torques))


def ratio_words(value: Fraction) -> str:
    """A ratio as people read it: ``11.5`` where that is exact, ``94/33`` where no short decimal is."""
    text = f"{float(value):.6g}"
    return text if Fraction(text) == value else f"{value.numerator}/{value.denominator}"
