"""The feed of changes: in which order entries are told, and reading them."""
