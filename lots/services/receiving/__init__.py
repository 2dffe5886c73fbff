"""Receiving: deliveries and their corrections, samples, labels."""
