"""Pages for readings: entry by hand or file, voids and confirmations."""
