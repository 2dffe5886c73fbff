"""Studies of instruments: what was read in them, which count, and which readings a study speaks for."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from peewee import JOIN

from lots.store.engine.paging import Page, page
from lots.store.tables.models import Instrument, Reading
from lots.store.tables.studies import InstrumentStudy, StudyVoid

_Other = Instrument.alias()


def _whole() -> Any:
    return (
        InstrumentStudy.select(InstrumentStudy, Instrument, _Other, StudyVoid)
        .join(Instrument, on=(InstrumentStudy.instrument == Instrument.id))
        .switch(InstrumentStudy)
        .join(_Other, JOIN.LEFT_OUTER, on=(InstrumentStudy.other == _Other.id), attr="other")
        .switch(InstrumentStudy)
        .join(StudyVoid, JOIN.LEFT_OUTER, on=(StudyVoid.study == InstrumentStudy.id), attr="void")
    )


def add(instrument: Instrument, values: dict[str, Any], by: str, now: datetime) -> Any:
    """Adds a study of an instrument."""
    return InstrumentStudy.create(instrument=instrument, **values, recorded_by=by, recorded_at=now)


def find(number: int) -> Any:
    """A study with its instruments and its void, or None."""
    return _whole().where(InstrumentStudy.id == number).first()


def listed(instrument: Instrument, cursor: str | None, limit: int) -> Page:
    """A page of an instrument's studies, voided ones included, in the order they were recorded. One query."""
    return page(_whole().where(InstrumentStudy.instrument == instrument), InstrumentStudy.id, cursor, limit)


def void(study: InstrumentStudy, reason: str, by: str, now: datetime) -> StudyVoid:
    """Says that a study does not count."""
    return StudyVoid.create(study=study, reason=reason, voided_by=by, voided_at=now)


def of_repeatability(numbers: Iterable[int], known_at: datetime | None = None) -> list[Any]:
    """Repeatability studies of these instruments that count, with instrument and without readings; as of `known_at` when given.

    One query, none without instruments.
    """
    wanted = list(numbers)
    if not wanted:
        return []
    names = ("id", "instrument", "measure", "studied_at", "gauge_sd", "repeat_sd")
    columns = [getattr(InstrumentStudy, name) for name in names]
    query = InstrumentStudy.select(*columns, Instrument).join(
        Instrument, on=(InstrumentStudy.instrument == Instrument.id)
    )
    query = query.switch(InstrumentStudy)
    query = query.join(StudyVoid, JOIN.LEFT_OUTER, on=(StudyVoid.study == InstrumentStudy.id))
    query = query.where(InstrumentStudy.instrument.in_(wanted) & (InstrumentStudy.kind == "repeatability"))
    if known_at is None:
        query = query.where(StudyVoid.id.is_null())
    else:
        query = query.where(
            (InstrumentStudy.recorded_at <= known_at) & (StudyVoid.id.is_null() | (StudyVoid.voided_at > known_at))
        )
    return list(query.order_by(InstrumentStudy.id))


def agreements(codes: Iterable[str], known_at: datetime | None = None) -> list[Any]:
    """Agreement studies that count, of which both instruments are among these, oldest first; as of `known_at` when given. One query."""
    wanted = list(codes)
    query = _whole().where(InstrumentStudy.kind == "agreement")
    if known_at is None:
        query = query.where(StudyVoid.id.is_null())
    else:
        query = query.where(
            (InstrumentStudy.recorded_at <= known_at) & (StudyVoid.id.is_null() | (StudyVoid.voided_at > known_at))
        )
    query = query.where(Instrument.code.in_(wanted) & _Other.code.in_(wanted))
    return list(query.order_by(InstrumentStudy.studied_at, InstrumentStudy.id))


def next_at(study: InstrumentStudy) -> datetime | None:
    """When the next study of the same instrument and measure that counts was made, None when there is none. One query."""
    query = (
        InstrumentStudy.select(InstrumentStudy.studied_at)
        .join(StudyVoid, JOIN.LEFT_OUTER)
        .where(InstrumentStudy.instrument == study.instrument_id, InstrumentStudy.measure == study.measure)
        .where(InstrumentStudy.kind == "repeatability", StudyVoid.id.is_null())
        .where(InstrumentStudy.studied_at > study.studied_at)
        .order_by(InstrumentStudy.studied_at)
    )
    row = query.first()
    return None if row is None else row.studied_at


def lots_read_with(instruments: Iterable[int], kind: str) -> list[int]:
    """Numbers of the lots with readings of a kind taken with any of these instruments. One query on an index."""
    query = Reading.select(Reading.lot).where(Reading.instrument.in_(list(instruments)))
    return sorted(row.lot_id for row in query.where(Reading.kind == kind).distinct())


def lots_read(instrument_id: int, kind: str, since: datetime, until: datetime | None) -> list[int]:
    """Numbers of the lots with readings of a kind taken with an instrument between two moments, both included. One query on an index."""
    query = Reading.select(Reading.lot).where(Reading.instrument == instrument_id, Reading.measured_at >= since)
    if until is not None:
        query = query.where(Reading.measured_at <= until)
    return sorted(row.lot_id for row in query.where(Reading.kind == kind).distinct())
