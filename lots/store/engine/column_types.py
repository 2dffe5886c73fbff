"""Column types that mean the same on both engines."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Generic, Literal, Self, TypeVar, Unpack, overload

import orjson
from peewee import TextField

if TYPE_CHECKING:
    from peewee import _FieldKwargs

# What a column holds, as Python reads it.
_V = TypeVar("_V")


@lru_cache(maxsize=1024)  # the readings of a list were taken and recorded at few moments
def _in_utc(moment: datetime) -> str:
    if moment.tzinfo is None:
        raise ValueError(f"{moment!r} has no offset from UTC")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


class _Typed(TextField, Generic[_V]):  # type: ignore[explicit-any]  # whatever the library lets a text column hold
    """A column whose rows hold values of one type. The ORM's own classes tell that to a type checker only."""

    if TYPE_CHECKING:

        @overload
        def __get__(self, instance: None, owner: type) -> Self: ...
        @overload
        def __get__(self, instance: object, owner: type) -> _V: ...
        def __get__(self, instance: object, owner: type) -> Self | _V: ...
        def __set__(self, instance: object, value: _V) -> None: ...


class Instant(_Typed[_V]):
    """A moment, kept as UTC text of fixed width so that order as text is order in time. Refuses a time without an offset."""

    @overload
    def __init__(self: Instant[datetime | None], *, null: Literal[True], **options: Unpack[_FieldKwargs]) -> None: ...
    @overload
    def __init__(self: Instant[datetime], *, null: Literal[False] = ..., **options: Unpack[_FieldKwargs]) -> None: ...
    def __init__(self, *, null: bool = False, **options: Unpack[_FieldKwargs]) -> None:
        super().__init__(null=null, **options)

    def db_value(self, value: datetime | None) -> str | None:
        """Returns `2026-11-25T12:00:00.000000Z` for an aware datetime."""
        return None if value is None else _in_utc(value)

    def python_value(self, value: str | None) -> datetime | None:
        """Returns an aware datetime in UTC."""
        return None if value is None else datetime.fromisoformat(value)


class Json(_Typed[_V]):
    """A small JSON document kept as text, `Json[dict[str, str]]()`. Refuses NaN and infinities, which JSON does not have.

    Notes:
        Read by orjson, which takes a quarter of the time. Written by the standard library, because digests are of its text.
    """

    def db_value(self, value: object) -> str | None:
        """Returns the document as text."""
        return None if value is None else json.dumps(value, allow_nan=False, separators=(",", ":"), ensure_ascii=False)

    def python_value(self, value: str | None) -> object:
        """Returns the document."""
        return None if value is None else orjson.loads(value)
