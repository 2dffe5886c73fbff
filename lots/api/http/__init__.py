"""HTTP layer of all paths: JSON, fields, errors, tokens, throttling, logs, metrics, CSV and columns."""
