"""Queries of loads, of spools on the shelf, and of where filament went."""
