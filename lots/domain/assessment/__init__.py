"""Assessment of a lot: limits revision, findings, verdict per use, status."""
