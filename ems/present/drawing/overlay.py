"""What is shown over a drawing: what turns, what is engaged, where power flows."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Overlay:
    """One configuration, or one moment of a trip.

    closed   : clutches and brakes that are closed        positions : position of every shifter, None for neutral
    turns    : whether each shaft turns; those not named are drawn as if nothing were known
    flows    : power [W] of each path (see ``paths``), positive in its direction
    can      : paths that can carry torque in this configuration, shown without power
    W_per_px : power that one pixel of width stands for
    least_W  : less power than this is not drawn
    """

    title: str = ""
    description: str = ""
    closed: frozenset[str] = frozenset()
    positions: dict[str, str | None] = field(default_factory=dict)
    turns: dict[str, bool] = field(default_factory=dict)
    flows: dict[str, float] = field(default_factory=dict)
    can: frozenset[str] = frozenset()
    W_per_px: float = 5000.0
    least_W: float = 20.0
