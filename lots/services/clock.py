"""The clock of the program."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime, timedelta

from lots.services.errors import Fault

# Clocks of devices differ by minutes. A time further ahead is a mistake, most often in the UTC offset.
TOLERANCE = timedelta(minutes=15)


_set_to: ContextVar[datetime | None] = ContextVar("set_to", default=None)


def now() -> datetime:
    """Returns the present time in UTC."""
    return _set_to.get() or datetime.now(UTC)


def moment_text(moment: datetime) -> str:
    """Returns a time as text, in UTC (RFC 3339)."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


@contextmanager
def clock_set_to(moment: datetime) -> Iterator[None]:
    """Sets the clock to `moment` within a `with` block. The demo shop uses it to record a past year, and tests use it to set the time."""
    token = _set_to.set(moment.astimezone(UTC))
    try:
        yield
    finally:
        _set_to.reset(token)


def doubt_future(pointer: str, stated: datetime | None, at: datetime) -> list[Fault]:
    """Returns a fault when a stated time is in the future.

    Args:
        pointer: JSON pointer to its field.
        stated: the time, None when the field is absent.
        at: the present time.
    """
    if stated is None or stated <= at + TOLERANCE:
        return []
    ahead = f"{stated.astimezone(UTC):%Y-%m-%d %H:%M} UTC is in the future. It is now {at:%Y-%m-%d %H:%M} UTC."
    return [Fault(pointer, ahead, "Check the date and the UTC offset (14:00+02:00 is 12:00Z).")]
