"""Queries of what is set up once: suppliers, shades, grades, instruments, codes, names, tokens, visual trials."""
