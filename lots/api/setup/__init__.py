"""Paths of what is set up once: suppliers, shades, grades, limits, names."""
