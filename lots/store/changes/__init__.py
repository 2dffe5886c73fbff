"""The feed of changes, and webhooks."""
