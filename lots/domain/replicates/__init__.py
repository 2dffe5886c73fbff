"""Repeat readings: their standard deviation, the number that settles a finding, and outliers."""
