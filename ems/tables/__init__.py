"""Frontier tables: the choices that nothing beats, for every demand and configuration."""
