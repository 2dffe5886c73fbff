"""Queries of the set-up: suppliers, shades, grades, instruments, codes, names, tokens, visual trials."""
