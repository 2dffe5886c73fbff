"""Column types that behave the same on both engines."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from functools import lru_cache
from typing import TYPE_CHECKING, Generic, Literal, Self, TypeVar, Unpack, overload

import orjson
from peewee import TextField

if TYPE_CHECKING:
    from peewee import _FieldKwargs

# The Python type of a column's values.
_V = TypeVar("_V")


@lru_cache(maxsize=1024)  # the readings of a list share few times
def _in_utc(moment: datetime) -> str:
    if moment.tzinfo is None:
        raise ValueError(f"{moment!r} has no offset from UTC")
    return moment.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


class _Typed(TextField, Generic[_V]):  # type: ignore[explicit-any]  # whatever the library lets a text column hold
    """A text column with values of one Python type, which type checkers know."""

    if TYPE_CHECKING:

        @overload
        def __get__(self, instance: None, owner: type) -> Self: ...
        @overload
        def __get__(self, instance: object, owner: type) -> _V: ...
        def __get__(self, instance: object, owner: type) -> Self | _V: ...
        def __set__(self, instance: object, value: _V) -> None: ...


class Instant(_Typed[_V]):
    """A time column, stored as UTC text of fixed width, so that text order is time order. A time without an offset raises ValueError."""

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
    """A column with a small JSON document, stored as text: `Json[dict[str, str]]()`. NaN and infinities raise ValueError.

    Notes:
        orjson reads it in a quarter of the time. The standard library writes it, because hashes are computed from its text.
    """

    def db_value(self, value: object) -> str | None:
        """Returns the document as text."""
        return None if value is None else json.dumps(value, allow_nan=False, separators=(",", ":"), ensure_ascii=False)

    def python_value(self, value: str | None) -> object:
        """Returns the document."""
        return None if value is None else orjson.loads(value)
