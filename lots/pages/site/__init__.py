"""Code that all pages share: calls of services, sessions, the frame."""
