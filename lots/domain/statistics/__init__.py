"""Statistics that carry n and their intervals."""
