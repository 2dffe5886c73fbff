"""Column types that mean the same on both engines."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any

from peewee import TextField


@lru_cache(maxsize=1024)  # the readings of a list were taken and recorded at few moments
def _in_utc(moment: datetime) -> str:
    if moment.tzinfo is None:
        raise ValueError(f"{moment!r} has no offset from UTC")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


# As json.loads reads text, without looking each time whether it is some.
_read = json.JSONDecoder().decode


class Instant(TextField):
    """A moment, kept as UTC text of fixed width so that order as text is order in time. Refuses a time without an offset."""

    def db_value(self, value: datetime | None) -> str | None:
        """Returns `2026-11-25T12:00:00.000000Z` for an aware datetime."""
        return None if value is None else _in_utc(value)

    def python_value(self, value: str | None) -> datetime | None:
        """Returns an aware datetime in UTC."""
        return None if value is None else datetime.fromisoformat(value)


class Json(TextField):
    """A small JSON document kept as text. Refuses NaN and infinities, which JSON does not have."""

    def db_value(self, value: Any) -> str | None:
        """Returns the document as text."""
        return None if value is None else json.dumps(value, allow_nan=False, separators=(",", ":"), ensure_ascii=False)

    def python_value(self, value: str | None) -> Any:
        """Returns the document."""
        return None if value is None else _read(value)
