"""Shared by all pages: calls of services, sessions, the frame."""
