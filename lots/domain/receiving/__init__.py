"""Receiving inspection: which spools to measure, sampling plans, severity, what a sample proves."""
