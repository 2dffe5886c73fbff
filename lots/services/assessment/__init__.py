"""Assessment of lots, from readings to a decision, and the decisions of quality."""
