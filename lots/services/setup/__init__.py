"""Set-up: suppliers, shades, grades, limits, instruments, tokens."""
