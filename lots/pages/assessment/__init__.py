"""Pages of quality."""
