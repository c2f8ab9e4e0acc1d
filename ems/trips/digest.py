"""One number that says whether two cycles are the same."""

from __future__ import annotations

import hashlib

from ems.trips.cycle import Cycle


def cycle_digest(cycle: Cycle) -> str:
    """sha256 of the numbers of a cycle."""
    digest = hashlib.sha256()
    for array in (cycle.time_s, cycle.speed_m_s, cycle.grade, cycle.auxiliary_W):
        digest.update(array.tobytes())
    return digest.hexdigest()
