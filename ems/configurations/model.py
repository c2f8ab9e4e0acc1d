"""What the derivation finds: configurations, tie-ups, and the interlock table."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

from ems.configurations.kinematics import ActuatorState


class Kind(StrEnum):
    """What a configuration is, from the derivation alone (closed list; mode labels are another vocabulary)."""

    ELECTRIC = "electric"                  # machines reach the wheels, engine stopped
    ELECTRIC_IDLING = "electric, engine idling"   # the same, engine turning by itself
    SERIES = "series"                      # engine and machine make electricity, another machine drives
    PARALLEL = "parallel"                  # engine at a fixed ratio to the wheels, with at least one machine
    POWER_SPLIT = "power split"            # engine reaches the wheels at a free ratio
    ENGINE = "engine"                      # engine at a fixed ratio, no machine
    CHARGING = "charging"                  # engine and machine coupled, nothing reaches the wheels
    NEUTRAL = "neutral"                    # nothing reaches the wheels, engine stopped
    NEUTRAL_IDLING = "neutral, engine idling"
    LAUNCH = "launch"                      # engine reaches the wheels through a slipping clutch
    OVERRUN = "overrun"                    # engine turned without fuel, by the wheels or by a machine


class EngineState(StrEnum):
    """State of the engine in a configuration."""

    STOPPED = "stopped"     # zero speed and zero torque
    RUNNING = "running"
    FUEL_CUT = "fuel cut"   # turned without fuel by the wheels or a machine: its torque is minus its drag

    @property
    def prefix(self) -> str:
        """What the ids of its configurations begin with."""
        return {"stopped": "off", "running": "on", "fuel cut": "cut"}[self.value]


@dataclass(frozen=True, slots=True)
class SpeedLimit:
    """``low <= wheel * wheel speed + free * free speed <= high`` [rad/s]; ``what`` it is in words."""

    what: str
    wheel: Fraction
    free: Fraction
    low_rad_s: float
    high_rad_s: float


@dataclass(frozen=True, slots=True)
class LoadLimit:
    """``low <= factor * load <= high`` [N m] for the load of a joint, as the torque maps define it.

    The load's torque on a shaft is the load times the shaft's coefficient in the joint, so ``factor`` names a member.
    """

    joint: str
    what: str
    factor: Fraction
    low_Nm: float
    high_Nm: float


@dataclass(frozen=True, slots=True)
class Drag:
    """A torque against a relative speed ``w = wheel * wheel speed + free * free speed``, which is
    ``sum(coefficient * speed)`` over ``terms`` (shaft, coefficient).

    Its size is ``constant_Nm + viscous_Nms_rad |w|``; it acts on each shaft by ``-coefficient * sign(w)`` times that, and
    the power it takes is its size times ``|w|``. No drag is listed where ``w`` is always zero, nor where something that
    nothing holds would simply turn along.
    """

    what: str
    terms: tuple[tuple[str, Fraction], ...]
    wheel: Fraction
    free: Fraction
    constant_Nm: float
    viscous_Nms_rad: float


@dataclass(frozen=True, slots=True)
class Slip:
    """A clutch that carries torque at a difference of speed ``wheel * wheel speed + free * free speed``, engine side
    minus the other, never negative. ``factor * load`` of the joint is the torque it passes on, never negative either;
    the product of both is the heat.
    """

    clutch: str
    wheel: Fraction
    free: Fraction
    factor: Fraction


@dataclass(frozen=True, slots=True)
class Configuration:
    """An actuator state with an engine state, and what they make of the layout.

    id          : engine state (off, on, cut) and what is engaged: ``on:K1+K2+S1=first``, ``off:open``; a slipping clutch
                  stands as ``K1~``, a one-way clutch where it is locked
    state       : the actuator state that stands for all ``equivalents`` (same statics, same losses)
    kind        : see ``Kind``
    sources     : engine and machines, in the order of the layout; rows of ``speed_map``
    speed_map   : for each source its speed per wheel speed and per free speed (exact)
    shaft_map   : the same for every shaft
    free_speed  : source whose speed is free of the wheels' ("engine"), or None; an idling engine's is held at idle
    idling      : the engine turns by itself, without torque
    wheel_driven: whether a static balance reaches the wheels
    active      : sources that can carry torque
    balances    : every lossless static balance of (sources, wheels) torques that can be used, reduced basis
    degrees_of_freedom : free choices once wheel speed and torque are given (fuel cut: and the engine's drag)
    ratio       : engine speed per wheel speed when fixed, else None
    speed_range_kmh : car speeds at which all speed limits hold
    hold_W      : electrical power that the engaged actuators need
    equivalents : other actuator states (words) with the same statics, drags, limits, hold power and cost of changes
    pump_W      : electrical power of the transmission's pumps
    slipping    : clutches that carry torque while their sides differ in speed; speeds as if open, balances as if closed
    slips       : the same, with speeds and the sign of torque
    locked      : one-way clutches that are locked; their torque has one sign, see ``load_limits``
    drags, speed_limits, load_limits : what it loses beside meshes and machines, and what it may not exceed
    """

    id: str
    state: ActuatorState
    engine: EngineState
    kind: Kind
    sources: tuple[str, ...]
    speed_map: tuple[tuple[Fraction, Fraction], ...]
    shaft_map: tuple[tuple[Fraction, Fraction], ...]
    free_speed: str | None
    idling: bool
    wheel_driven: bool
    active: tuple[str, ...]
    balances: tuple[tuple[Fraction, ...], ...]
    degrees_of_freedom: int
    ratio: Fraction | None
    speed_range_kmh: tuple[float, float]
    hold_W: float
    equivalents: tuple[str, ...] = ()
    pump_W: float = 0.0
    slipping: tuple[str, ...] = ()
    slips: tuple[Slip, ...] = ()
    locked: tuple[str, ...] = ()
    drags: tuple[Drag, ...] = ()
    speed_limits: tuple[SpeedLimit, ...] = ()
    load_limits: tuple[LoadLimit, ...] = ()

    @property
    def electric_W(self) -> float:
        """Power of actuators and pumps."""
        return self.hold_W + self.pump_W


@dataclass(frozen=True, slots=True)
class Interlock:
    """An actuator state that must never be engaged (or that deserves a word), and why."""

    state: ActuatorState
    reason: str


@dataclass(frozen=True, slots=True)
class Derivation:
    """Everything the derivation found, in the order of the layout file.

    configurations : distinct ones, equivalents merged
    tie_ups        : actuator states that lock the wheels
    notes          : states with a locked source, a redundant joint, or a stopped engine that holds the wheels
    actuator_states: how many combinations were examined
    """

    configurations: tuple[Configuration, ...]
    tie_ups: tuple[Interlock, ...]
    notes: tuple[Interlock, ...]
    actuator_states: int

    @property
    def neutral(self) -> tuple[str, ...]:
        """Ids of the configurations from which nothing reaches the wheels."""
        return tuple(c.id for c in self.configurations if not c.wheel_driven)

    def find(self, word: str) -> Configuration | None:
        """The configuration with that id, or that has it among its equivalents."""
        for c in self.configurations:
            prefix = c.id.split(":")[0]
            if word == c.id or word in {f"{prefix}:{other}" for other in c.equivalents}:
                return c
        return None
