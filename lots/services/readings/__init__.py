"""Readings: checked, recorded, and voided."""
