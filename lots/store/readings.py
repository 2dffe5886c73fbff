"""Readings, their voids, confirmations and exclusions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import NotRequired, TypedDict

from peewee import JOIN, Expression, ModelSelect, Value, chunked, fn

from lots.store.engine.compiled_queries import Prepared, given, insert
from lots.store.engine.paging import Page, page
from lots.store.tables.models import (
    Instrument,
    Lot,
    Reading,
    ReadingConfirmation,
    ReadingExclusion,
    ReadingVoid,
    Spool,
    VoidAgreement,
)


class NewReading(TypedDict):
    """The columns of a new reading. `retest` follows from the lot."""

    kind: str
    spool: Spool
    lot: Lot
    instrument: int | None
    measured_at: datetime
    recorded_at: datetime
    recorded_by: str
    screening: bool
    retest: NotRequired[bool]
    values: dict[str, object]
    note: str | None
    to_confirm: bool | None
    build_key: str | None
    control_of: str | None


class NewExclusion(TypedDict):
    """The reason for an exclusion, and its outlier test."""

    cause: str
    reason: str
    shown_by: Sequence[Mapping[str, object]]


# The columns of a reading's spool. Its JSON columns would be parsed in vain.
_OF_SPOOL = (Spool.id, Spool.code, Spool.delivery, Spool.withdrawn_at)


def whole(known_at: datetime | None = None) -> ModelSelect[Reading]:
    """Returns a query of readings with spool, instrument, void, and the exclusion in force (at most one)."""
    in_force = ReadingExclusion.included_at.is_null()
    if known_at is not None:
        still = in_force | (ReadingExclusion.included_at > known_at)
        in_force = (ReadingExclusion.excluded_at <= known_at) & still
    return (
        Reading.select(Reading, *_OF_SPOOL, Instrument, ReadingVoid, ReadingExclusion)
        .join(Spool)
        .switch(Reading)
        .join(Instrument, JOIN.LEFT_OUTER)
        .switch(Reading)
        .join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id), attr="void")
        .switch(Reading)
        .join(
            ReadingExclusion,
            JOIN.LEFT_OUTER,
            on=((ReadingExclusion.reading == Reading.id) & in_force),
            attr="exclusion",
        )
    )


def add(rows: Sequence[NewReading]) -> list[int]:
    """Stores readings and returns their ids in the same order. One statement per 1,000 readings."""
    return [number for part in chunked(rows, 1_000) for number in insert(Reading, part)]


def with_agreements(known_at: datetime | None = None) -> ModelSelect[Reading]:
    """Returns the query of `whole` with quality's agreement to the void."""
    agreed = VoidAgreement.void == ReadingVoid.id
    if known_at is not None:
        agreed &= VoidAgreement.recorded_at <= known_at
    return (
        whole(known_at)
        .select_extend(VoidAgreement)
        .switch(ReadingVoid)
        .join(VoidAgreement, JOIN.LEFT_OUTER, on=agreed, attr="agreement")
    )


def find(number: int) -> Reading | None:
    """Returns a reading with spool, instrument, void, agreement and exclusion, or None."""
    found: Reading | None = with_agreements().where(Reading.id == number).first()
    return found


def listed(lot: Lot, kind: str | None, cursor: str | None, limit: int) -> Page[Reading]:
    """Returns a page of all readings of a lot, including voided and screening ones, oldest record first."""
    query = with_agreements().where(Reading.lot == lot)
    if kind is not None:
        query = query.where(Reading.kind == kind)
    return page(query, Reading.id, cursor, limit)


def of_what_came(known_at: datetime | None = None) -> Expression:
    """Returns the condition that a reading's spool was not withdrawn, at `known_at` when given."""
    there: Expression = Spool.withdrawn_at.is_null()
    if known_at is not None:
        there |= Spool.withdrawn_at > known_at
    return there


def that_count(
    lot_id: int,
    known_at: datetime | None = None,
    kind: str | None = None,
    *,
    excluded: bool = False,
    waiting: bool = False,
) -> list[Reading]:
    """Returns the valid readings of a lot in order of id, as of `known_at` when given. Read-only rows. One query.

    Voided, screening and excluded readings, and those of withdrawn spools, are left out. `excluded` includes excluded readings, with
    their `exclusion`. `waiting` includes readings whose void waits for quality's agreement, which `void_waits` identifies.
    """
    if known_at is None and not excluded and not (kind and waiting):
        if kind is not None:
            return _COUNTING_OF_KIND.all(lot=lot_id, kind=kind)
        return (_WAITING_NOW if waiting else _COUNTING_NOW).all(lot=lot_id)
    return list(_counting(lot_id, known_at, kind, excluded=excluded, waiting=waiting))


def _counting(
    lot_id: int | Value,
    known_at: datetime | None = None,
    kind: str | Value | None = None,
    *,
    excluded: bool = False,
    waiting: bool = False,
) -> ModelSelect[Reading]:
    query = whole(known_at).where((Reading.lot == lot_id) & ~Reading.screening & of_what_came(known_at))
    if kind is not None:
        query = query.where(Reading.kind == kind)
    if not excluded:
        query = query.where(ReadingExclusion.id.is_null())
    counts = ReadingVoid.id.is_null()
    if waiting:
        counts |= waits(known_at)
    if known_at is not None:
        counts |= ReadingVoid.voided_at > known_at
        query = query.where(Reading.recorded_at <= known_at)
    return query.where(counts).order_by(Reading.id)


def waits(known_at: datetime | None = None) -> Expression:
    """Returns the condition that a void waits for quality's agreement, at `known_at` when given."""
    agreed = VoidAgreement.select(VoidAgreement.id).where(VoidAgreement.void == ReadingVoid.id)
    if known_at is not None:
        agreed = agreed.where(VoidAgreement.recorded_at <= known_at)
    waiting: Expression = ReadingVoid.held & ~fn.EXISTS(agreed)
    return waiting


def void_waits(row: Reading, known_at: datetime | None = None) -> bool:
    """Returns True for a reading of `that_count` whose void waits for quality's agreement."""
    return row.void is not None and (known_at is None or row.void.voided_at <= known_at)


# Prepared, because each assessment reads them.
_COUNTING_NOW = Prepared(lambda: _counting(given("lot")))
_COUNTING_OF_KIND = Prepared(lambda: _counting(given("lot"), kind=given("kind")))
_WAITING_NOW = Prepared(lambda: _counting(given("lot"), waiting=True))


def of_controls(kind: str, charts: Iterable[str], most: int) -> list[Reading]:
    """Returns the newest valid readings of control prints of these charts (`Origin.control_of`), newest first. One query on an index."""
    counting = (Reading.kind == kind) & ~Reading.screening & ReadingVoid.id.is_null() & ReadingExclusion.id.is_null()
    counting &= Reading.control_of.in_(list(charts)) & of_what_came()
    return list(whole().where(counting).order_by(Reading.id.desc()).limit(most))


def of_lots(lot_ids: Iterable[int], kind: str) -> list[Reading]:
    """Returns the valid readings of a kind of these lots in order of id. One query on an index, none without lots."""
    wanted = list(lot_ids)
    if not wanted:
        return []
    counting = (Reading.lot.in_(wanted)) & (Reading.kind == kind) & ~Reading.screening & ReadingVoid.id.is_null()
    counting &= ReadingExclusion.id.is_null() & of_what_came()
    return list(whole().where(counting).order_by(Reading.id))


def retest_rounds(lot_id: int, known_at: datetime | None = None) -> dict[str, int]:
    """Returns the number of retest rounds by kind. Two queries.

    A round is a time at which readings were stored although the evidence was complete and did not pass, including voided ones. It is
    also a time at which an author voided a failing reading.
    """
    again = Reading.select(Reading.kind, fn.COUNT(Reading.recorded_at.distinct()))
    again = again.where((Reading.lot == lot_id) & Reading.retest)
    undone = Reading.select(Reading.kind, fn.COUNT(ReadingVoid.voided_at.distinct()))
    undone = undone.join(ReadingVoid, on=(ReadingVoid.reading == Reading.id))
    undone = undone.where((Reading.lot == lot_id) & ReadingVoid.held)
    if known_at is not None:
        again = again.where(Reading.recorded_at <= known_at)
        undone = undone.where(ReadingVoid.voided_at <= known_at)
    rounds = Counter[str]()
    for query in (again, undone):
        rounds.update(dict(query.group_by(Reading.kind).tuples().execute()))
    return dict(rounds)


def lots_read_with(instrument_id: int, since: datetime | None, until: datetime | None) -> list[int]:
    """Returns the ids of lots with readings by an instrument in a period, inclusive. One query on an index."""
    query = Reading.select(Reading.lot).where(Reading.instrument == instrument_id).distinct()
    if since is not None:
        query = query.where(Reading.measured_at >= since)
    if until is not None:
        query = query.where(Reading.measured_at <= until)
    return sorted(row.lot_id for row in query)


def has_read(instrument_id: int) -> bool:
    """Returns True if an instrument has a reading, including voided ones. One query on an index."""
    return bool(Reading.select().where(Reading.instrument == instrument_id).exists())


def counts_read_with(instrument_id: int, since: datetime | None, until: datetime | None) -> dict[int, int]:
    """Returns the number of readings by an instrument in a period, inclusive, by lot, without voided ones. One query on an index."""
    query = Reading.select(Reading.lot, fn.COUNT(Reading.id))
    query = query.join(ReadingVoid, JOIN.LEFT_OUTER, on=(ReadingVoid.reading == Reading.id))
    query = query.where((Reading.instrument == instrument_id) & ReadingVoid.id.is_null())
    if since is not None:
        query = query.where(Reading.measured_at >= since)
    if until is not None:
        query = query.where(Reading.measured_at <= until)
    return dict(sorted(query.group_by(Reading.lot).tuples().execute()))


def void(
    reading: Reading, reason: str, replaced_by: Reading | None, by: str, now: datetime, *, held: bool
) -> ReadingVoid:
    """Voids a reading. With `held` the void waits for quality's agreement."""
    said = {"reason": reason, "replaced_by": replaced_by, "voided_by": by, "voided_at": now}
    return ReadingVoid.create(reading=reading, **said, held=held or None)


def agree(void: ReadingVoid, reason: str, by: str, now: datetime) -> VoidAgreement:
    """Stores quality's agreement to a void by the author of the reading."""
    return VoidAgreement.create(void=void, reason=reason, recorded_by=by, recorded_at=now)


def confirm(reading: Reading, reason: str | None, by: str, now: datetime) -> ReadingConfirmation:
    """Stores the confirmation of a reading far from its neighbours."""
    return ReadingConfirmation.create(reading=reading, reason=reason, recorded_by=by, recorded_at=now)


def confirmed(numbers: Iterable[int], known_at: datetime | None = None) -> set[int]:
    """Returns the confirmed ones of these readings, up to `known_at` when given. One query per 1,000 readings."""
    found: set[int] = set()
    for part in chunked(sorted(numbers), 1_000):
        query = ReadingConfirmation.select(ReadingConfirmation.reading).where(ReadingConfirmation.reading.in_(part))
        if known_at is not None:
            query = query.where(ReadingConfirmation.recorded_at <= known_at)
        found |= {row.reading_id for row in query}
    return found


def confirmation(number: int) -> ReadingConfirmation | None:
    """Returns the confirmation of a reading, or None."""
    return ReadingConfirmation.get_or_none(ReadingConfirmation.reading == number)


def voids(waiting: bool | None, cursor: str | None, limit: int) -> Page[ReadingVoid]:
    """Returns a page of voids with their readings, lots and agreements, oldest first.

    Args:
        waiting: True for voids that wait for quality's agreement, False for all others, None for both.
        cursor: from the page before; None for the first page.
        limit: rows on a page.
    """
    query = (
        ReadingVoid.select(ReadingVoid, Reading, *_OF_SPOOL, Lot.id, Lot.supplier_lot, VoidAgreement)
        .join(Reading, on=(ReadingVoid.reading == Reading.id))
        .join(Spool)
        .switch(Reading)
        .join(Lot)
        .switch(ReadingVoid)
        .join(VoidAgreement, JOIN.LEFT_OUTER, on=(VoidAgreement.void == ReadingVoid.id), attr="agreement")
    )
    if waiting:
        query = query.where(ReadingVoid.held & VoidAgreement.id.is_null())
    elif waiting is not None:
        query = query.where(ReadingVoid.held.is_null() | VoidAgreement.id.is_null(False))
    return page(query, ReadingVoid.id, cursor, limit)


def exclude(reading: Reading, values: NewExclusion, by: str, now: datetime) -> ReadingExclusion:
    """Excludes a reading as an outlier."""
    return ReadingExclusion.create(reading=reading, **values, excluded_by=by, excluded_at=now)


def include(exclusion: ReadingExclusion, reason: str, by: str, now: datetime) -> None:
    """Ends an exclusion, so that the reading counts again."""
    said = {"included_at": now, "included_by": by, "included_reason": reason}
    ReadingExclusion.update(said).where(ReadingExclusion.id == exclusion.id).execute()


def to_judge(lot_id: int, known_at: datetime | None = None) -> list[Reading]:
    """Returns the valid and excluded readings of a lot, and those whose void waits, in order of id, as of `known_at` when given. One query.

    `is_excluded` and `void_waits` identify them.
    """
    if known_at is None:
        return _TO_JUDGE_NOW.all(lot=lot_id)
    return list(_counting(lot_id, known_at, excluded=True, waiting=True))


def to_judge_among(rows: Iterable[Reading]) -> list[Reading]:
    """Returns the readings of `to_judge` from all readings of a lot. No query."""
    return [
        row
        for row in rows
        if not row.screening
        and row.spool.withdrawn_at is None
        and (row.void is None or (row.void.held and row.void.agreement is None))
    ]


def counting_among(rows: Iterable[Reading], kind: str | None = None) -> list[Reading]:
    """Returns the valid readings from those of `to_judge`, of a kind when given. No query."""
    return [row for row in rows if row.void is None and not is_excluded(row) and kind in (None, row.kind)]


def of_lot(lot_id: int) -> list[Reading]:
    """Returns all readings of a lot, including voided and screening ones, oldest record first. Read-only rows. One query."""
    return _OF_LOT.all(lot=lot_id)


_OF_LOT = Prepared(lambda: with_agreements().where(Reading.lot == given("lot")).order_by(Reading.id))
_TO_JUDGE_NOW = Prepared(lambda: _counting(given("lot"), excluded=True, waiting=True))


def is_excluded(row: Reading) -> bool:
    """Returns True for an excluded reading of `to_judge`."""
    return getattr(row, "exclusion", None) is not None


# The number of the grade's newest lots whose repeats are pooled for a lot with too few.
_POOLED_LOTS = 20
# The columns that the spread of readings depends on.
_SPREAD_COLUMNS = (
    *(Reading.id, Reading.kind, Reading.lot, Reading.spool, Reading.instrument, Reading.measured_at),
    *(Reading.values, Reading.to_confirm, Reading.build_key),
    *(Spool.id, Spool.code),
    *(Instrument.id, Instrument.code, Instrument.recorded_at, Instrument.check_interval_days),
    *(Instrument.standard_uncertainty, Instrument.resolution),
)


def of_grade(grade_id: int, but: int, kinds: Sequence[str]) -> list[Reading]:
    """Returns the valid readings of these kinds of the grade's twenty newest lots, without the lot `but`, in order of id.

    Read-only rows. One query, none without kinds.
    """
    named = {f"kind_{place}": kind for place, kind in enumerate(kinds)}
    return _lent(len(named)).all(grade=grade_id, but=but, **named) if named else []


@lru_cache(maxsize=16)  # there are few kinds
def _lent(kinds: int) -> Prepared[Reading]:
    newest = Lot.select(Lot.id).where((Lot.grade == given("grade")) & (Lot.id != given("but")))
    newest = newest.order_by(Lot.received_at.desc()).limit(_POOLED_LOTS)
    counting = Reading.kind.in_([given(f"kind_{place}") for place in range(kinds)]) & Reading.lot.in_(newest)
    counting &= ~Reading.screening & ReadingVoid.id.is_null() & ReadingExclusion.id.is_null() & of_what_came()
    return Prepared(lambda: whole().select(*_SPREAD_COLUMNS).where(counting).order_by(Reading.id))
