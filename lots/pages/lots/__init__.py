"""Pages about lots, and papers."""
