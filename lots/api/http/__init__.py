"""HTTP shared by all paths: JSON, fields, errors, tokens, throttling, logs, metrics, CSV and columns."""
