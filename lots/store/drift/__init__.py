"""Queries of lots in the order they came, for drift and comparison."""
