"""Paths of the set-up: suppliers, shades, grades, limits, names."""
