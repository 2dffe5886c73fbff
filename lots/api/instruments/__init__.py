"""Paths of instruments, studies and references."""
