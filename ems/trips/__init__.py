"""Trips: cycle files, brought to steps of one second, and what they ask of a vehicle."""
