"""What is set up once: suppliers, shades, grades, limits, instruments, tokens."""
