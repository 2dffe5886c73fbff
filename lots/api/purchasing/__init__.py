"""Paths of supplier comparison, forecasts and corrective actions."""
