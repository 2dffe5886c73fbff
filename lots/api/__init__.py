"""HTTP API: one folder per subject, with schemas and resources side by side. No rule is decided here and no table is known."""
