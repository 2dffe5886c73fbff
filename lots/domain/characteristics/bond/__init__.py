"""Interlayer strength: declaration and assessment."""
