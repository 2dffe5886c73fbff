"""Set-up: suppliers, shades, grades, limits, instruments, people and shop details."""
