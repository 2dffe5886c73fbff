"""Purchasing: supplier comparison, forecasts, costs, stock, certificates and corrective actions."""
