"""Strategies that see what a controller sees: rules, ECMS, replay, a user's own; and the simulator that drives them all."""
