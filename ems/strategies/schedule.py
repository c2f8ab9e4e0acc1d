"""A schedule made beforehand, driven as it stands: the optimum's own, or the costate's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ems.strategies.protocol import Request, Situation
from ems.types import Array, IntArray

if TYPE_CHECKING:
    from ems.strategies.course import Course


class Schedule:
    """Asks for the node and choice of a schedule, interval by interval; not causal where the schedule was not.

    node : (K,)      choice : (K, 3 + I) free engine speed, wheel torque, engine torque, inner torques
    """

    reserve_s = 0.0

    def __init__(self, node: IntArray, choice: Array, name: str = "schedule", notes: tuple[str, ...] = ()) -> None:
        self.node, self.choice, self.name, self.notes = node, choice, name, notes

    def begin(self, course: Course) -> None:
        """Keep the course, to know ids and demands."""
        self.course = course

    def decide(self, situation: Situation) -> Request:
        """The schedule's choice."""
        k = situation.interval
        return exact_request(self.course, k, int(self.node[k]), self.choice[k])


def exact_request(course: Course, interval: int, node: int, choice: Array) -> Request:
    """A request for exactly this choice of a node."""
    arrays, Tw = course.plant.arrays, course.seconds[interval].Tw
    share = min(max(float(choice[1]) / Tw, 0.0), 1.0) if Tw < 0.0 else None
    inner = tuple(map(float, choice[3:])) if arrays.inner_count[node] else None
    return Request(course.ids[node], float(choice[0]) if arrays.has_free[node] else None, float(choice[2]), None, inner, share,
                   course.plant.nodes[node].lane)
