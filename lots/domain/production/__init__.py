"""Production: clearance, matching, picks, spool life, tracing."""
