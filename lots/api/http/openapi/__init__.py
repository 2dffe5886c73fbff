"""The OpenAPI document: descriptions of operations, and its page."""
