"""Receiving inspection: sampling plans, drawn spools, severity, and protection by a sample."""
