"""The roles. Each resource of the API states its permitted roles in `who`, which also apply to its pages. An administrator may use all."""

from __future__ import annotations

# People at a desk.
PEOPLE = ("receiving", "quality", "purchasing", "production")
# Roles of programs, which cannot sign in on pages. Integration reads, imports files and follows changes; monitoring watches the server.
INTEGRATION, MONITORING = PROGRAMS = ("integration", "monitoring")
ADMIN = "admin"
ROLES = (*PEOPLE, *PROGRAMS, ADMIN)
