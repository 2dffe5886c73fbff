"""Purchasing: suppliers compared, forecasts, costs, corrective actions."""
