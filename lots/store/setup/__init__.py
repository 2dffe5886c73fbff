"""Queries of master data: suppliers, shades, grades, instruments, codes, names, tokens and visual trials."""
