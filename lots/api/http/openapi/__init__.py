"""The OpenAPI document: what it says of every operation, and how it is served."""
