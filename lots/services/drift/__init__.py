"""Drift over lots: series, baselines and signals."""
