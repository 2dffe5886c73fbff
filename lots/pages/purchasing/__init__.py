"""Pages of purchasing."""
