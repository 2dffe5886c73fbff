"""Pages to set up what the shop works with."""
