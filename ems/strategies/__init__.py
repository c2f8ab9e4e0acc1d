"""Strategies that see what a controller sees: rules, ECMS, replay, a user's own; and the simulator that drives them all."""

from __future__ import annotations

from ems.strategies.load import load_strategy as load_strategy
