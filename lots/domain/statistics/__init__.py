"""Statistics, each result with its sample size and interval."""
