"""Helpers for wording: numbers with nouns, lists, dates."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime


def clause(text: str) -> str:
    """Returns a person's text with a full stop at its end."""
    trimmed = text.strip()
    return trimmed if trimmed.endswith((".", "!", "?")) else f"{trimmed}."


def unit_said(unit: str) -> str:
    """Returns a unit as people write it. The API writes units in ASCII.

    Example:
        >>> unit_said("per dm2"), unit_said("mm")
        ('per dm²', 'mm')
    """
    return unit.replace("dm2", "dm²")


def counted(n: int, one: str, many: str | None = None) -> str:
    """Returns a number with its noun.

    Example:
        >>> counted(1, "lot"), counted(2, "lot"), counted(1200, "row"), counted(2, "lies", "lie")
        ('1 lot', '2 lots', '1,200 rows', '2 lie')
    """
    return f"{n:,} {plural(n, one, many)}"


def plural(n: float, one: str, many: str | None = None) -> str:
    """Returns the singular or plural of a word.

    Example:
        >>> plural(1, "spool"), plural(0, "spool"), plural(2, "is", "are")
        ('spool', 'spools', 'are')
    """
    return one if n == 1 else many or f"{one}s"


def hyphenated(code: str) -> str:
    """Returns the name of a use as written in prose.

    Example:
        >>> hyphenated("load_bearing")
        'load-bearing'
    """
    return code.replace("_", "-")


def status_said(standing: str) -> str:
    """Returns the status of a lot as written in prose.

    Example:
        >>> status_said("quarantined"), status_said("released")
        ('in quarantine', 'released')
    """
    return "in quarantine" if standing == "quarantined" else standing


def moment(at: datetime) -> str:
    """Returns a time to the minute: 2026-11-25 13:05 UTC."""
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def listed(parts: Sequence[str], last: str = "and") -> str:
    """Returns a list as written in a sentence.

    Example:
        >>> listed(["a"]), listed(["a", "b", "c"]), listed(["a", "b"], "or")
        ('a', 'a, b and c', 'a or b')
    """
    *before, end = parts
    return f"{', '.join(before)} {last} {end}" if before else end
