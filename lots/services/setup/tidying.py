"""What is kept for some days only goes after that: answers kept for repeated requests, and sessions of the pages."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from lots.services import clock
from lots.store.upkeep import tidy

# Batches that one round of a server removes of each kind: its other tasks wait meanwhile. What is left goes in the next rounds.
_BATCHES = 25
# What is removed, as people call it.
NAMES = {"repeated_request": "kept answer", "web_session": "session"}


def remove_some(days: int) -> int:
    """Removes what is older than so many days, at most some thousand rows, and returns how many rows that were."""
    before = _before(days)
    removed = 0
    for table in tidy.AGES:
        for _ in range(_BATCHES):
            taken = tidy.remove(table, before)
            removed += taken
            if taken < tidy.BATCH:
                break
    return removed


def remove_all(days: int, watch: Callable[[str, int, int], None]) -> dict[str, int]:
    """Removes everything that is older than so many days and returns how many rows of each table that were.

    Args:
        watch: told what is removed, how many rows are, and how many there were.
    """
    before = _before(days)
    removed = {}
    for table in tidy.AGES:
        told = _told(watch, f"Removing {NAMES[table]}s", tidy.aged(table, before))
        removed[table] = tidy.remove_all(table, before, told)
    return removed


def _told(watch: Callable[[str, int, int], None], doing: str, of: int) -> Callable[[int], None]:
    # More may have come of age since they were counted.
    return lambda done: watch(doing, done, max(of, done))


def _before(days: int) -> datetime:
    return clock.now() - timedelta(days=days)
