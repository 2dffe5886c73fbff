"""Colour of a lot: declaration, mean, uncertainty, spectral figures, and contours of a limit."""
