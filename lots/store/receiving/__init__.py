"""Queries of deliveries, samples and imported files."""
