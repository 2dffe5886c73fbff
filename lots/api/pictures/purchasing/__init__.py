"""Pictures for purchasing."""
