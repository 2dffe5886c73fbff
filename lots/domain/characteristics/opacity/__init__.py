"""Opacity of printed plaques."""
