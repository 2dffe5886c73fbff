"""Drift over lots: control charts, run rules, trend, projection."""
