"""Rules for the assessment of lots: pure functions and immutable values (see README.md in this folder)."""
