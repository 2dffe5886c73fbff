"""Shared by all pages: the client of the API, sessions, the frame, words."""
