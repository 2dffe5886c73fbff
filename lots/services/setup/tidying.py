"""Removal of expired data: stored answers to repeated requests, and sessions of the pages."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from lots.services import clock
from lots.store.upkeep import tidy

# Batches of each kind that one round removes, because other tasks wait for it. The next rounds remove the rest.
_BATCHES = 25
# The names of removed rows in messages.
NAMES = {"repeated_request": "stored answer", "web_session": "session"}


def remove_some(days: int) -> int:
    """Removes rows older than so many days, at most some thousand, and returns their number."""
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
    """Removes all rows older than so many days and returns their number by table.

    Args:
        watch: called with the task, the rows removed so far and the total.
    """
    before = _before(days)
    removed = {}
    for table in tidy.AGES:
        told = _progress(watch, f"Removing {NAMES[table]}s", tidy.aged(table, before))
        removed[table] = tidy.remove_all(table, before, told)
    return removed


def _progress(watch: Callable[[str, int, int], None], doing: str, of: int) -> Callable[[int], None]:
    # More rows may have expired since they were counted.
    return lambda done: watch(doing, done, max(of, done))


def _before(days: int) -> datetime:
    return clock.now() - timedelta(days=days)
