"""Drift over lots: series, baselines, signals."""
