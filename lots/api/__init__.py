"""HTTP: one file per desk, its schemas and resources beside each other. No rule is decided here and no table is known."""
