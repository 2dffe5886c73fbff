"""The one place that asks the time."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import UTC, datetime, timedelta

from lots.services.errors import Fault

# Clocks of a bench, a phone and a server differ by minutes; a time further ahead is a slip, most often of the offset.
TOLERANCE = timedelta(minutes=15)


_retold: ContextVar[datetime | None] = ContextVar("retold", default=None)


def now() -> datetime:
    """The present moment, in UTC."""
    return _retold.get() or datetime.now(UTC)


def moment_text(moment: datetime) -> str:
    """Returns a moment as it is answered and sent: RFC 3339 in UTC."""
    return moment.astimezone(UTC).isoformat().replace("+00:00", "Z")


@contextmanager
def retelling(moment: datetime) -> Iterator[None]:
    """Within it the present is `moment`: for the demo shop alone, whose year must look as if it was recorded while it happened."""
    token = _retold.set(moment.astimezone(UTC))
    try:
        yield
    finally:
        _retold.reset(token)


def doubt_future(pointer: str, stated: datetime | None, at: datetime) -> list[Fault]:
    """Returns a fault when a stated time has not come yet.

    Args:
        pointer: where it was stated.
        stated: the time, or None when none was.
        at: the present moment.
    """
    if stated is None or stated <= at + TOLERANCE:
        return []
    ahead = f"{stated.astimezone(UTC):%Y-%m-%d %H:%M} UTC is still to come (it is {at:%Y-%m-%d %H:%M} UTC now)."
    return [Fault(pointer, ahead, "Check the date and the offset: 14:00+02:00 is 12:00Z.")]
