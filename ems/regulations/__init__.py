"""Formulas of regulations, pure: one regulation a file, its paragraphs named. The text in force decides, not this code."""
