"""Queries of loads, spools on the shelf, stock, and tracing of filament."""
