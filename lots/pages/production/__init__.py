"""Pages of production."""
