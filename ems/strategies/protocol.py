"""What a strategy sees and what it may ask for.

A strategy is any object with a method ``decide(situation) -> Request``. Nothing of the trip ahead is in a ``Situation``.
What is asked for and not possible is corrected by the simulator (``simulate.py``), and counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from ems.strategies.course import Course


@dataclass(frozen=True, slots=True)
class Situation:
    """One interval as a controller sees it at its start.

    interval : number of the interval               time_s, dt_s : its start and length
    speed_m_s, acceleration_m_s2, grade : of the road   force_N, power_W : demand at the wheels, negative while braking
    auxiliary_W : electrical load                   soc, energy_J : charge of the battery and energy stored in it
    configuration, node : present configuration (empty and -1 at the start of the trip)
    since_change_s : time since the configuration last changed
    engine_running, engine_since_s : whether the engine runs, and since when it does or does not
    """

    interval: int
    time_s: float
    dt_s: float
    speed_m_s: float
    acceleration_m_s2: float
    grade: float
    force_N: float
    power_W: float
    auxiliary_W: float
    soc: float
    energy_J: float
    configuration: str
    node: int
    since_change_s: float
    engine_running: bool
    engine_since_s: float
    _possible: Callable[[int], tuple[str, ...]]

    @property
    def speed_kmh(self) -> float:
        """Speed in km/h."""
        return 3.6 * self.speed_m_s

    @property
    def possible(self) -> tuple[str, ...]:
        """Ids of the configurations that can follow the demand of this interval, the battery's charge left aside."""
        return self._possible(self.interval)


@dataclass(frozen=True, slots=True)
class Request:
    """What a strategy asks for; None leaves it to the simulator.

    configuration : id, as in ``ems modes``
    engine_speed_rad_s : where it is free (series, power split); None: the speed of least fuel
    engine_torque_Nm : of a coupled engine; None: as ``battery_power_W`` says
    battery_power_W : terminal power the engine's torque is chosen for; None: nothing, the engine follows the demand
    machine_torque_Nm : torques of the machines that are free to choose, as the table's inner torques; None: the division of least
        battery power
    regeneration : share of the braking torque taken by the powertrain; None: the share that gives most electricity
    lane : of the free engine speed, where that lies on the border of two; None: the present one, or the lower
    """

    configuration: str
    engine_speed_rad_s: float | None = None
    engine_torque_Nm: float | None = None
    battery_power_W: float | None = None
    machine_torque_Nm: tuple[float, ...] | None = None
    regeneration: float | None = None
    lane: int | None = None


class Strategy(Protocol):
    """The one method a strategy has.

    Optional besides: ``begin(course)``, called before every trip; ``prepare(course, start_J, target_J)``, returning the strategy to
    drive with; ``name``; ``notes``, a tuple of sentences on the last trip; ``reserve_s``: the battery is never drained faster than
    what is left of its window would last that long (5 s where it is not given).
    """

    def decide(self, situation: Situation) -> Request:
        """What to do in this interval."""


def begin(strategy: Strategy, course: Course) -> None:
    """Tell the strategy that a trip begins, if it cares."""
    hook = getattr(strategy, "begin", None)
    if hook is not None:
        hook(course)
