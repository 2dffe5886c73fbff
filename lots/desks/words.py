"""Small turns of phrase that several desks share."""

from __future__ import annotations

from datetime import UTC, datetime


def clause(text: str) -> str:
    """Returns somebody's words with a full stop, ready to stand before another sentence."""
    trimmed = text.strip()
    return trimmed if trimmed.endswith((".", "!", "?")) else f"{trimmed}."


def moment(at: datetime) -> str:
    """Returns a moment as a person writes it: 2026-11-25 13:05 UTC."""
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
