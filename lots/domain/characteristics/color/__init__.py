"""Colour of a lot: its mean, its uncertainty, what a spectrum adds, and the contours of a limit."""
