"""Paths of file imports."""
