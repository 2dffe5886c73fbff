"""Paths of drift and baselines."""
