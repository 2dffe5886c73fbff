"""Queries of lots, decisions, concessions and re-inspections."""
