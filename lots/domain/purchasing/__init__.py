"""Purchasing: suppliers compared, forecasts, corrective actions."""
