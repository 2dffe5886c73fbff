"""Paths of deliveries, lots, samples and labels."""
