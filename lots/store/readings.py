"""Readings and their voids."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from peewee import JOIN, chunked, fn

from lots.store.models import Instrument, Lot, Reading, ReadingVoid, Spool
from lots.store.paging import Page, page


def _whole() -> Any:
    return (
        Reading.select(Reading, Spool, Instrument, ReadingVoid)
        .join(Spool)
        .switch(Reading)
        .join(Instrument, JOIN.LEFT_OUTER)
        .switch(Reading)
        .join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id), attr="void")
    )


def add(rows: Sequence[dict[str, Any]]) -> list[int]:
    """Stores readings and returns their numbers in the same order. One query for every thousand."""
    # Numbers rise in the order of the rows within a statement; in which order an engine hands them back is not promised.
    return [
        number
        for part in chunked(rows, 1_000)
        for number in sorted(row[0] for row in Reading.insert_many(part).returning(Reading.id).tuples().execute())
    ]


def find(number: int) -> Any:
    """A reading with spool, instrument and void."""
    return _whole().where(Reading.id == number).first()


def listed(lot: Lot, kind: str | None, cursor: str | None, limit: int) -> Page:
    """A page of everything recorded of a lot, voided and screening readings included, in the order they were recorded."""
    query = _whole().where(Reading.lot == lot)
    if kind is not None:
        query = query.where(Reading.kind == kind)
    return page(query, Reading.id, cursor, limit)


def that_count(lot_id: int, known_at: datetime | None = None, kind: str | None = None) -> list[Any]:
    """Readings of a lot that are neither voided nor screening, in order of number; as of `known_at` when given. One query."""
    query = _whole().where((Reading.lot == lot_id) & ~Reading.screening)
    if kind is not None:
        query = query.where(Reading.kind == kind)
    if known_at is None:
        query = query.where(ReadingVoid.id.is_null())
    else:
        query = query.where(
            (Reading.recorded_at <= known_at) & (ReadingVoid.id.is_null() | (ReadingVoid.voided_at > known_at))
        )
    return list(query.order_by(Reading.id))


def retest_rounds(lot_id: int, known_at: datetime | None = None) -> dict[str, int]:
    """Extra rounds per kind: moments at which readings were stored although the evidence was complete and did not pass. Voided ones count."""
    query = Reading.select(Reading.kind, fn.COUNT(Reading.recorded_at.distinct()).alias("rounds")).where(
        (Reading.lot == lot_id) & Reading.retest
    )
    if known_at is not None:
        query = query.where(Reading.recorded_at <= known_at)
    return {row.kind: row.rounds for row in query.group_by(Reading.kind)}


def lots_read_with(instrument_id: int, since: datetime | None, until: datetime | None) -> list[int]:
    """Numbers of the lots with readings taken with an instrument between two moments, both included. One query on an index."""
    query = Reading.select(Reading.lot).where(Reading.instrument == instrument_id).distinct()
    if since is not None:
        query = query.where(Reading.measured_at >= since)
    if until is not None:
        query = query.where(Reading.measured_at <= until)
    return sorted(row.lot_id for row in query)


def void(reading: Reading, reason: str, replaced_by: Reading | None, by: str, now: datetime) -> ReadingVoid:
    """Says that a reading does not count."""
    return ReadingVoid.create(reading=reading, reason=reason, replaced_by=replaced_by, voided_by=by, voided_at=now)
