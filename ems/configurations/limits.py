"""What a configuration may not exceed, and what it loses by being dragged along: speeds, loads of joints, drags.

``speed_of`` stands for a mechanism: it gives a sum of shaft speeds per wheel speed and per free engine speed, or None
where nothing that turns with the wheels or the engine says how fast it is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction

from ems.configurations.kinematics import Joint, clutch_joint, one_way_joint
from ems.configurations.model import Configuration, Drag, EngineState, LoadLimit, Slip, SpeedLimit
from ems.layout.model import Layout

Terms = Sequence[tuple[str, Fraction]]
SpeedOf = Callable[[Terms], tuple[Fraction, Fraction] | None]

ONE = Fraction(1)


def slips(layout: Layout, c: Configuration, speed_of: SpeedOf) -> tuple[Slip, ...]:
    """The slipping clutches, their speed counted so that it rises with the engine's."""
    out = []
    for clutch in (k for k in layout.clutches if k.name in c.slipping):
        speed = speed_of(clutch_joint(clutch).terms)
        assert speed is not None
        sign = 1 if speed[1] > 0 else -1
        out.append(Slip(clutch.name, sign * speed[0], sign * speed[1], Fraction(-sign)))
    return tuple(out)


# -------------------------------------------------------------------------------------------------------------- speeds


def speed_limits(layout: Layout, c: Configuration, speed_of: SpeedOf, slipping: Sequence[Slip]) -> tuple[SpeedLimit, ...]:
    """Every limit on a speed that wheels or engine can reach, sources first."""
    return tuple(limit for limit in (*_source_limits(layout, c), *_shaft_limits(layout, c),
                                     *_inner_limits(layout, c, speed_of, slipping)) if limit.wheel or limit.free)


def _source_limits(layout: Layout, c: Configuration) -> Iterator[SpeedLimit]:
    engine = layout.engine.engine
    low, high = {EngineState.STOPPED: (0.0, 0.0), EngineState.RUNNING: (engine.idle_rad_s, engine.max_rad_s),
                 EngineState.FUEL_CUT: (0.0, engine.max_rad_s)}[c.engine]
    if c.idling:
        yield SpeedLimit("engine", Fraction(0), ONE, engine.idle_rad_s, engine.idle_rad_s)
    else:
        yield SpeedLimit("engine", *c.speed_map[0], low, high)
    for use, speed in zip(layout.machines, c.speed_map[1:], strict=True):
        yield SpeedLimit(use.name, *speed, -use.machine.max_rad_s, use.machine.max_rad_s)


def _shaft_limits(layout: Layout, c: Configuration) -> Iterator[SpeedLimit]:
    for name, speed in zip(layout.shafts, c.shaft_map, strict=False):
        properties = layout.shaft_properties.get(name)
        if properties is not None and properties.max_rad_s is not None:
            yield SpeedLimit(f"shaft {name}", *speed, -properties.max_rad_s, properties.max_rad_s)


def _inner_limits(layout: Layout, c: Configuration, speed_of: SpeedOf, slipping: Sequence[Slip]) -> Iterator[SpeedLimit]:
    """Pinions on their pins, sides of clutches, one-way clutches that are free."""
    for planetary in layout.planetary_sets:
        rolling = speed_of(((planetary.sun, planetary.pinion_ratio), (planetary.carrier, -planetary.pinion_ratio)))
        if planetary.max_pinion_rad_s is not None and rolling is not None:
            yield SpeedLimit(f"pinions of {planetary.name}", *rolling, -planetary.max_pinion_rad_s,
                             planetary.max_pinion_rad_s)
    launching = {s.clutch: s for s in slipping}
    for clutch in layout.clutches:
        most = math.inf if clutch.max_slip_rad_s is None else clutch.max_slip_rad_s
        if clutch.name in launching:
            slip = launching[clutch.name]
            yield SpeedLimit(f"slip of {clutch.name}", slip.wheel, slip.free, 0.0, most)
        elif clutch.name not in c.state.closed and most < math.inf:
            speed = speed_of(clutch_joint(clutch).terms)
            if speed is not None:
                yield SpeedLimit(f"sides of {clutch.name}", *speed, -most, most)
    for one_way in (w for w in layout.one_way if w.name not in c.locked):
        speed = speed_of(one_way_joint(one_way).terms)
        if speed is not None:
            yield SpeedLimit(f"one-way clutch {one_way.name}", *speed, -math.inf, 0.0)


# --------------------------------------------------------------------------------------------------------------- loads


def load_limits(layout: Layout, loaded: Sequence[Joint], slipping: Sequence[Slip]) -> tuple[LoadLimit, ...]:
    """Limits on the loads of joints that carry any in this configuration."""
    return tuple(limit for joint in loaded if (limit := _load_limit(layout, joint, slipping)) is not None)


def _load_limit(layout: Layout, joint: Joint, slipping: Sequence[Slip]) -> LoadLimit | None:
    for slip in slipping:
        if slip.clutch == joint.name:
            return LoadLimit(joint.name, f"torque of {joint.name}", slip.factor, 0.0, _or_infinite(joint.capacity_Nm))
    if joint.name in {w.name for w in layout.one_way}:
        return LoadLimit(joint.name, f"torque of {joint.name}", -ONE, 0.0, _or_infinite(joint.capacity_Nm))
    if joint.capacity_Nm is None:
        return None
    at = dict(joint.terms)[joint.capacity_at] if joint.capacity_at else ONE
    where = f" at {joint.capacity_at}" if joint.capacity_at else ""
    return LoadLimit(joint.name, f"torque of {joint.name}{where}", at, -joint.capacity_Nm, joint.capacity_Nm)


def _or_infinite(value: float | None) -> float:
    return math.inf if value is None else value


# --------------------------------------------------------------------------------------------------------------- drags


def drags(layout: Layout, c: Configuration, speed_of: SpeedOf) -> tuple[Drag, ...]:
    """Drags of what turns: shafts, open clutches and brakes, one-way clutches that overrun."""
    found = []
    for what, terms, constant, viscous in _dragging(layout, c):
        speed = speed_of(terms)
        if (constant or viscous) and speed is not None and any(speed):
            found.append(Drag(what, tuple(terms), *speed, constant, viscous))
    return tuple(found)


def _dragging(layout: Layout, c: Configuration) -> Iterator[tuple[str, Terms, float, float]]:
    for name in layout.shafts:
        own = layout.shaft_properties.get(name)
        if own is not None:
            yield f"shaft {name}", ((name, ONE),), own.drag_Nm, own.drag_Nms_rad
    for clutch in layout.clutches:
        if clutch.name not in c.state.closed:
            yield clutch.name, clutch_joint(clutch).terms, clutch.drag_Nm, 0.0
    for brake in layout.brakes:
        if brake.name not in c.state.closed:
            yield brake.name, ((brake.shaft, ONE),), brake.drag_Nm, 0.0
    for one_way in layout.one_way:
        if one_way.name not in c.state.closed:
            yield one_way.name, one_way_joint(one_way).terms, one_way.drag_Nm, 0.0
