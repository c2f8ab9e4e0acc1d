"""Drawings of layouts in the trade's stick-diagram convention."""
