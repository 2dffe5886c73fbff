"""Paths of assessments, decisions, concessions and visual trials."""
