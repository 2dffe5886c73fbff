"""Queries of studies and references."""
