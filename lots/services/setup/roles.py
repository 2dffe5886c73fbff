"""The roles. Which of them may use a path stands at each resource of the API, as `who`; admin may use all."""

from __future__ import annotations

ROLES = ("receiving", "quality", "purchasing", "production", "admin")
