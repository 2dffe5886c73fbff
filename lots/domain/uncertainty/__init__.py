"""Measurement uncertainty: budgets, lengths, and means of spools and lots."""
