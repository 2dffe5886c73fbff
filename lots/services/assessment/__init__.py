"""Judging lots: from readings to a decision, and everything that quality decides about a lot."""
