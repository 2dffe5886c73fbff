"""Paths of readings, their voids and their repeats."""
