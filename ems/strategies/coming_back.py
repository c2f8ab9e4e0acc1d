"""Energy of speed and height above the start: the part of it that comes back while braking, for which a battery keeps room.

A charge aimed at regardless of it is full at the top of a hill, and the friction brakes take the descent. Aimed at is stored energy plus
what comes back, so the battery is emptier at the top and fuller at the foot; as in Ambühl and Guzzella, Predictive reference signal
generator for hybrid electric vehicles, IEEE Trans. Vehicular Technology 58 (2009), from memory, without their look ahead: height is what
the road's slope has added up to so far, which any controller can know.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ems.components.vehicle import GRAVITY_M_S2
from ems.strategies.protocol import Situation

RECOVERED = 0.7     # of kinetic and potential energy that reaches the battery; what road, meshes, machines and battery take is the rest
MOST_ROOM = 0.6     # of what lies between the target and the nearer end of the window, by which what is aimed at moves either way


@dataclass(slots=True)
class ComingBack:
    """Keeps count of the height of a trip under way.

    mass_kg : of the car      of_speed, of_height : shares of kinetic and potential energy that are reckoned to come back
    """

    mass_kg: float
    of_speed: float = RECOVERED
    of_height: float = RECOVERED
    _height_m: float = 0.0

    def energy_J(self, situation: Situation) -> float:
        """What comes back of the energy in an interval; negative below the height of the start. To be asked once an interval."""
        s = situation
        energy_J = self.mass_kg * (self.of_speed * 0.5 * s.speed_m_s**2 + self.of_height * GRAVITY_M_S2 * self._height_m)
        self._height_m += s.speed_m_s * s.dt_s * s.grade / math.hypot(1.0, s.grade)
        return energy_J
