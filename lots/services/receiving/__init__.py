"""Receiving: deliveries logged and corrected, samples drawn, labels."""
