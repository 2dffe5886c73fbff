"""Paths of clearance, loads, matching and tracing."""
