"""Changes between the states of a trip: what they cost, which are open, and the open ones one after the other for the sweeps."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from ems.kernels.jit import compiled_inline, compiled_shared, share_out

HUGE = 1e12     # cost of the impossible [g]; finite, so that differences stay numbers


class Changes(NamedTuple):
    """Transition costs between N nodes; row N from rest. A trip is in one of S states: a node, with its counters where there are any.

    fixed : (N + 1, N) fuel and price [g]      stored : (K, N + 1, N) energy from the store [J]
    live : (K, N + 1, N) whether a change is possible and worth a look
    node : (S + 1,) node of each state, N for the last, from rest      open : (S + 1, S) whether a state may follow another
    """

    fixed: Any
    stored: Any
    live: Any
    node: Any
    open: Any


class Links(NamedTuple):
    """The same changes between states, only those that are possible and worth a look, in a list.

    first : (K + 1,) where those at the start of each interval begin; in order of the state before, then of the state after
    before, after : (E,) states      fixed : (E,) [g]      stored : (E,) [J]      node : (S + 1,) of ``Changes``
    """

    first: Any
    before: Any
    after: Any
    fixed: Any
    stored: Any
    node: Any


@compiled_inline
def stored_by(changes: Changes, k: int, a: int, c: int) -> float:
    """Energy that passing from state a to state c takes from the store; HUGE where it is not open."""
    na, nc = changes.node[a], changes.node[c]
    return changes.stored[k, na, nc] if changes.open[a, c] and changes.live[k, na, nc] else HUGE


@compiled_inline
def _begins(changes: Changes, count: Any, k: int, a: int) -> bool:
    """Whether a trip can be in state a before interval k."""
    return k == 0 if a == changes.open.shape[1] else k > 0 and count[k - 1, changes.node[a]] > 0


@compiled_shared
def list_links(begin: int, end: int, changes: Changes, count: Any, first: Any, before: Any, after: Any, fixed: Any, stored: Any) -> None:
    """Fills the lists of ``Links``; where they have no room yet, first : (K + 1,) tells how much they need.

    count : (K, N) points of each node
    """
    S = changes.open.shape[1]
    fill = before.size > 0
    for k in range(begin, end):
        place = first[k] if fill else 0
        for a in range(S + 1):
            na = changes.node[a]
            for c in range(S if _begins(changes, count, k, a) else 0):
                nc = changes.node[c]
                if count[k, nc] > 0 and changes.live[k, na, nc] and changes.open[a, c]:
                    if fill:
                        before[place], after[place] = a, c
                        fixed[place], stored[place] = changes.fixed[na, nc], changes.stored[k, na, nc]
                    place += 1
        if not fill:
            first[k + 1] = place


def links_of(changes: Changes, count: Any) -> Links:
    """The list of all changes that are possible between intervals with (K, N) points."""
    first = np.zeros(count.shape[0] + 1, np.int64)
    none = np.zeros(0)
    share_out(list_links, count.shape[0], changes, count, first, none.astype(np.int32), none.astype(np.int32), none, none)
    first = np.cumsum(first)
    lists = np.empty(first[-1], np.int32), np.empty(first[-1], np.int32), np.empty(first[-1]), np.empty(first[-1])
    if first[-1]:
        share_out(list_links, count.shape[0], changes, count, first, *lists)
    return Links(first, *lists, changes.node)
