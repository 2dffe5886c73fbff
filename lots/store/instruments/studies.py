"""Studies of instruments, and the lots whose readings they concern."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import lru_cache
from typing import NamedTuple

from peewee import JOIN, Expression, ModelSelect

from lots.store.engine.compiled_queries import Prepared, given
from lots.store.engine.paging import Page, page
from lots.store.tables.models import Instrument, Reading
from lots.store.tables.studies import InstrumentStudy, StudyVoid

_Other = Instrument.alias()


class Repeatability(NamedTuple):
    """A repeatability study without its readings. `gauge_sd` is the gauge standard deviation, `repeat_sd` that of repeatability."""

    id: int
    instrument_id: int
    code: str
    measure: str
    studied_at: datetime
    gauge_sd: float
    repeat_sd: float


def _whole() -> ModelSelect[InstrumentStudy]:
    return (
        InstrumentStudy.select(InstrumentStudy, Instrument, _Other, StudyVoid)
        .join(Instrument, on=(InstrumentStudy.instrument == Instrument.id))
        .switch(InstrumentStudy)
        .join(_Other, JOIN.LEFT_OUTER, on=(InstrumentStudy.other == _Other.id), attr="other")
        .switch(InstrumentStudy)
        .join(StudyVoid, JOIN.LEFT_OUTER, on=(StudyVoid.study == InstrumentStudy.id), attr="void")
    )


def add(instrument: Instrument, values: Mapping[str, object], by: str, now: datetime) -> InstrumentStudy:
    """Stores a study of an instrument."""
    return InstrumentStudy.create(instrument=instrument, **values, recorded_by=by, recorded_at=now)


def find(number: int) -> InstrumentStudy | None:
    """Returns a study with its instruments and void, or None."""
    return _whole().where(InstrumentStudy.id == number).get_or_none()


def listed(instrument: Instrument, cursor: str | None, limit: int) -> Page[InstrumentStudy]:
    """Returns a page of an instrument's studies, including voided ones, oldest record first. One query."""
    return page(_whole().where(InstrumentStudy.instrument == instrument), InstrumentStudy.id, cursor, limit)


def void(study: InstrumentStudy, reason: str, by: str, now: datetime) -> StudyVoid:
    """Voids a study."""
    return StudyVoid.create(study=study, reason=reason, voided_by=by, voided_at=now)


def of_repeatability(numbers: Iterable[int], known_at: datetime | None = None) -> list[Repeatability]:
    """Returns the valid repeatability studies of these instruments in order of id, as of `known_at` when given.

    One query, none without instruments.
    """
    wanted = sorted(set(numbers))
    if not wanted:
        return []
    rows = (
        _counting_now(len(wanted)).all(**dict(zip(_slots(len(wanted)), wanted, strict=True)))
        if known_at is None
        else _repeatability(wanted, known_at)
    )
    return [
        Repeatability(
            row.id,
            row.instrument_id,
            row.instrument.code,
            row.measure or "",
            row.studied_at,
            row.gauge_sd or 0.0,
            row.repeat_sd or 0.0,
        )
        for row in rows
    ]


def _repeatability(numbers: Iterable[object], known_at: datetime | None = None) -> ModelSelect[InstrumentStudy]:
    study = InstrumentStudy
    columns = (study.id, study.instrument, study.measure, study.studied_at, study.gauge_sd, study.repeat_sd)
    query = study.select(*columns, Instrument.id, Instrument.code)
    query = query.join(Instrument, on=(study.instrument == Instrument.id)).switch(study)
    query = query.join(StudyVoid, JOIN.LEFT_OUTER, on=(StudyVoid.study == study.id))
    query = query.where(study.instrument.in_(list(numbers)) & (study.kind == "repeatability") & _counts(known_at))
    return query.order_by(study.id)


def _slots(n: int) -> list[str]:
    return [f"instrument_{place}" for place in range(n)]


@lru_cache(maxsize=64)  # a lot is measured with few instruments
def _counting_now(n: int) -> Prepared[InstrumentStudy]:
    return Prepared(lambda: _repeatability([given(name) for name in _slots(n)]))


def _counts(known_at: datetime | None) -> Expression:
    """Returns the condition that a study is valid, at `known_at` when given."""
    if known_at is None:
        return StudyVoid.id.is_null()
    return (InstrumentStudy.recorded_at <= known_at) & (StudyVoid.id.is_null() | (StudyVoid.voided_at > known_at))


def agreements(codes: Iterable[str], known_at: datetime | None = None) -> list[InstrumentStudy]:
    """Returns the valid agreement studies between these instruments, oldest first, as of `known_at` when given. One query."""
    wanted = list(codes)
    query = _whole().where((InstrumentStudy.kind == "agreement") & _counts(known_at))
    query = query.where(Instrument.code.in_(wanted) & _Other.code.in_(wanted))
    return list(query.order_by(InstrumentStudy.studied_at, InstrumentStudy.id))


def pair(study: InstrumentStudy) -> tuple[str, str]:
    """Returns the codes of the two instruments of an agreement study."""
    return study.instrument.code, study.other.code if study.other else study.instrument.code


def next_at(study: InstrumentStudy) -> datetime | None:
    """Returns the time of the next valid study of the same instrument and measure, or None. One query."""
    query = (
        InstrumentStudy.select(InstrumentStudy.studied_at)
        .join(StudyVoid, JOIN.LEFT_OUTER)
        .where(InstrumentStudy.instrument == study.instrument_id, InstrumentStudy.measure == study.measure)
        .where(InstrumentStudy.kind == "repeatability", StudyVoid.id.is_null())
        .where(InstrumentStudy.studied_at > study.studied_at)
        .order_by(InstrumentStudy.studied_at)
    )
    row = query.get_or_none()
    return None if row is None else row.studied_at


def lots_read_with(instruments: Iterable[int], kind: str) -> list[int]:
    """Returns the ids of lots with readings of a kind by any of these instruments. One query on an index."""
    query = Reading.select(Reading.lot).where(Reading.instrument.in_(list(instruments)))
    return sorted(row.lot_id for row in query.where(Reading.kind == kind).distinct())


def lots_read(instrument_id: int, kind: str, since: datetime, until: datetime | None) -> list[int]:
    """Returns the ids of lots with readings of a kind by an instrument in a period, inclusive. One query on an index."""
    query = Reading.select(Reading.lot).where(Reading.instrument == instrument_id, Reading.measured_at >= since)
    if until is not None:
        query = query.where(Reading.measured_at <= until)
    return sorted(row.lot_id for row in query.where(Reading.kind == kind).distinct())
