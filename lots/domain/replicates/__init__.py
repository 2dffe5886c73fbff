"""Replicates: how repeat readings scatter, how many settle a finding, and which are outliers."""
