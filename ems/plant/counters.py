"""Counters: what must have lasted before a change is allowed, as part of the discrete state.

A state is a node with three counts, each of whole intervals and no higher than matters: how long its configuration has
been engaged, and how long the engine has been turning or has stood.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ems.plant.plant import Plant
from ems.types import BoolArray, IntArray


@dataclass(frozen=True, slots=True)
class Waits:
    """Hard limits on changes [s].

    dwell_s : least time in a configuration          engine_on_s, engine_off_s : least time that the engine turns, and stands
    """

    dwell_s: float = 0.0
    engine_on_s: float = 0.0
    engine_off_s: float = 0.0

    def counts(self, step_s: float) -> tuple[int, int, int]:
        """Intervals to wait for each; the interval in which something begins counts."""
        dwell, on, off = (max(math.ceil(value / step_s - 1e-9), 1) for value in (self.dwell_s, self.engine_on_s, self.engine_off_s))
        return dwell, on, off


NO_WAITS = Waits()


def at_least(waits: Waits, engine_on_s: float, engine_off_s: float) -> Waits:
    """The longer of what is asked for and what the engine needs."""
    return Waits(waits.dwell_s, max(waits.engine_on_s, engine_on_s), max(waits.engine_off_s, engine_off_s))


State = tuple[int, int, int]        # node, intervals in its configuration, intervals with the engine as it is


def counted_states(plant: Plant, waits: Waits, step_s: float = 1.0) -> tuple[IntArray, BoolArray]:
    """The states that waiting makes of the plant's nodes.

    Returns (S + 1,) the node of each state, the last standing for rest, and (S + 1, S) whether a state may follow another.
    At rest everything has lasted long enough.
    """
    nodes = len(plant.nodes)
    dwell, on, off = waits.counts(step_s)
    if dwell == on == off == 1:
        return np.arange(nodes + 1), np.ones((nodes + 1, nodes), bool)
    turning = [int(plant.transitions.engine_mode[n]) != 0 for n in range(nodes)]
    configuration = [plant.nodes[n].configuration for n in range(nodes)]

    def following(state: State, n: int) -> State | None:
        """State after passing on to node n, or None when something must be waited for."""
        before, held, engine = state
        stays = configuration[before] == configuration[n]
        same = turning[before] == turning[n]
        if (not stays and held < dwell) or (not same and engine < (on if turning[before] else off)):
            return None
        return n, min(held + 1, dwell) if stays else 1, min(engine + 1, on if turning[n] else off) if same else 1

    begun = [_begun(n, turning[n], dwell, on, off) for n in range(nodes)]
    states = list(begun)
    number = {state: i for i, state in enumerate(states)}
    for state in states:                                    # grows while it is walked
        for n in range(nodes):
            after = following(state, n)
            if after is not None and after not in number:
                number[after] = len(states)
                states.append(after)
    allowed = np.zeros((len(states) + 1, len(states)), bool)
    for i, state in enumerate(states):
        for n in range(nodes):
            after = following(state, n)
            if after is not None:
                allowed[i, number[after]] = True
    for state in begun:
        allowed[-1, number[state]] = True
    return np.array([*(state[0] for state in states), nodes]), allowed


def _begun(node: int, turning: bool, dwell: int, on: int, off: int) -> State:
    """The first interval of a trip; a standing engine and the configuration it stands in have lasted."""
    return (node, 1, 1) if turning else (node, dwell, off)
