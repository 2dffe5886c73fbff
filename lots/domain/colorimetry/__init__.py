"""Colour science: CIELAB, colour differences, spectra, whiteness, metamerism."""
