"""HTTP: one folder per subject, schemas and resources beside each other. No rule is decided here and no table is known."""
