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


class EngineState(StrEnum):
    """State of the engine in a configuration."""

    STOPPED = "stopped"     # zero speed and zero torque
    RUNNING = "running"


@dataclass(frozen=True, slots=True)
class Configuration:
    """An actuator state with an engine state, and what they make of the layout.

    id          : engine state and what is engaged, ``on:K1+K2+S1=first`` or ``off:open``
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
    degrees_of_freedom : free choices once wheel speed and torque are given
    ratio       : engine speed per wheel speed when fixed, else None
    speed_range_kmh : car speeds at which all speed limits hold
    hold_W      : electrical power that the engaged actuators need
    equivalents : other actuator states (words) with the same statics
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
