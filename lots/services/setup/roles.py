"""The roles. Which of them may use a path stands at each resource of the API, as `who`, and holds for the pages that do the same; admin may use all."""

from __future__ import annotations

# People at a desk.
PEOPLE = ("receiving", "quality", "purchasing", "production")
# Programs: one that reads, imports files and follows changes, and one that watches the server. Neither signs in on pages.
INTEGRATION, MONITORING = PROGRAMS = ("integration", "monitoring")
ADMIN = "admin"
ROLES = (*PEOPLE, *PROGRAMS, ADMIN)
