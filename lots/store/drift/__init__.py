"""Queries of lots in order of receipt, for drift and supplier comparison."""
