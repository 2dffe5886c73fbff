"""The implementations of the `lots` commands."""
