"""Comparison of a value with its limit: inclusive ends, guard bands, steps."""
