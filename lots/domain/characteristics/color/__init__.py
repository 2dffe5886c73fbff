"""Colour of a lot: its declaration, its mean, its uncertainty, what a spectrum adds, and the contours of a limit."""
